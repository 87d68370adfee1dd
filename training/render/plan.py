"""What a scene contains: every choice drawn from its seed, every choice open to be told.

Each group of choices has its own random stream, so that telling one (a metal, a sheet of
paper) leaves the rest of the scene as it was.
"""

from __future__ import annotations

import zlib
from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np

from training.render.decoration import METALS, PAINTS
from training.render.pieces import HOLLOW, SHAPES, Shape
from training.render.spectra import LIGHT_NAMES
from training.render.tables import TABLE_KINDS, TableKind

FRAMINGS = ("whole", "partial", "close-up")
GLAZES: dict[str, tuple[float, float, float]] = {  # sRGB, 0..1
    "white": (0.93, 0.93, 0.92),
    "ivory": (0.93, 0.9, 0.82),
    "cream": (0.93, 0.87, 0.72),
    "pale yellow": (0.93, 0.87, 0.6),
    "pale blue": (0.76, 0.85, 0.92),
    "green": (0.5, 0.68, 0.52),
    "turquoise": (0.35, 0.7, 0.72),
    "cobalt": (0.1, 0.17, 0.45),
    "pink": (0.92, 0.74, 0.74),
}
_GLAZE_ODDS = (0.26, 0.18, 0.13, 0.08, 0.09, 0.07, 0.07, 0.05, 0.07)
_SHAPE_ODDS = (0.24, 0.14, 0.1, 0.1, 0.1, 0.08, 0.11, 0.07, 0.06)


@dataclass(frozen=True)
class ScenePlan:
    """Everything chosen for a scene but the fine random detail, which the seed draws again.

    Attributes
    ----------
    trim : ``border`` (stamped metal, lines perhaps), ``lines`` (metal lines only), ``paint`` or ``plain``.
    metal : ``gold``, ``platinum`` or ``none``.
    wear : ``sound``, ``rubbed`` (a little gone), ``broken`` or ``dulled``.
    edge_colour, verge_colour : a metal, a paint, or None for no such line.
    lights : names of CIE illuminants for window, ceiling lamp, standing lamp, and their strengths.
    gloss : roughness of the glaze; finish : roughness of the metal.
    paper : ``A4``, ``Letter`` or None. cover : ``plate``, ``napkin``, ``hand``, ``cloth`` (a large one),
        ``offset plate`` (one that lies half on it) or None, over the rim.
    alloy : which gold, ``gold``, ``lemon gold`` or ``red gold``.
    cut_at : for the framing ``cut``, where the frame's edge cuts the piece, in half widths from its middle.
    paper_in_frame : whether the whole sheet must be in the frame; None leaves it to chance.
    turn_deg : how far the piece is turned on from where it stood.
    held_paper : whether a white sheet is held behind the piece, so that the far trim mirrors it.
    colours_seed : where not 0, walls, furniture and table take their colours from it, all else as before.
    """

    seed: int
    shape: Shape
    framing: str
    trim: str
    metal: str
    wear: str
    motif_id: str | None
    edge_colour: str | None
    verge_colour: str | None
    border_colour: str | None
    glaze: str
    gloss: float
    finish: float
    lights: tuple[str, str, str]
    strengths: tuple[float, float, float]
    vivid: float
    table: TableKind
    paper: str | None
    cover: str | None
    stack: int
    neighbours: int
    clutter: int
    food: bool
    decal: bool
    tilt_deg: float
    roll_deg: float
    fill: float
    focal_35mm: float
    portrait: bool
    phone: str
    alloy: str = "gold"
    cut_at: float = 0.0
    paper_in_frame: bool | None = None
    colours_seed: int = 0
    turn_deg: float = 0.0
    held_paper: bool = False


def stream(seed: int, name: str) -> np.random.Generator:
    """The random stream of one group of choices in one scene."""
    return np.random.default_rng([seed, zlib.crc32(name.encode())])


def draw_plan(seed: int, motif_ids: tuple[str, ...], style: str = "exam", **told: Any) -> ScenePlan:
    """Draw a scene.

    Parameters
    ----------
    motif_ids : what may be stamped.
    style : ``exam`` (as varied as sales are) or ``album`` (clear, pleasant photos).
    told : fields of ``ScenePlan`` to fix.

    Raises
    ------
    ValueError
        For a told name that is no field.
    """
    unknown = set(told) - {field.name for field in fields(ScenePlan)}
    if unknown:
        raise ValueError(f"expected fields of a scene plan, got {sorted(unknown)}")
    shape = told.get("shape") or str(stream(seed, "shape").choice(SHAPES, p=_SHAPE_ODDS))
    chosen: dict[str, Any] = {"seed": seed, "shape": shape}
    chosen |= _draw_trim(seed, motif_ids, told)
    chosen |= _draw_surface(seed) | _draw_light(seed) | _draw_surroundings(seed, shape)
    chosen |= _draw_view(seed, shape)
    plan = ScenePlan(**chosen)
    plan = _tame(plan, stream(seed, "album")) if style == "album" else plan
    return replace(plan, **told)


def _draw_trim(seed: int, motif_ids: tuple[str, ...], told: dict[str, Any]) -> dict[str, Any]:
    rng = stream(seed, "trim")
    trim = told.get("trim") or str(
        rng.choice(["border", "lines", "paint", "plain"], p=[0.68, 0.1, 0.16, 0.06])
    )
    metal = str(rng.choice(METALS)) if trim in ("border", "lines") else "none"
    metal = told.get("metal", metal)
    paint = str(rng.choice(list(PAINTS)))
    other = str(rng.choice(list(PAINTS)))
    main = metal if metal in METALS else paint
    line = main if rng.random() < 0.65 else other
    edge = line if trim == "lines" or (trim != "plain" and rng.random() < 0.6) else None
    verge = (main if trim == "lines" else line) if trim != "plain" and rng.random() < 0.45 else None
    if trim == "lines":
        edge = main
    has_border = trim in ("border", "paint")
    wear = str(rng.choice(["sound", "broken", "dulled"], p=[0.64, 0.26, 0.1])) if metal in METALS else "sound"
    return {
        "trim": trim,
        "metal": metal,
        "wear": wear,
        "motif_id": motif_ids[int(rng.integers(len(motif_ids)))] if has_border else None,
        "border_colour": main if has_border else None,
        "edge_colour": edge,
        "verge_colour": verge,
        "decal": bool(rng.random() < 0.12),
    }


def _draw_surface(seed: int) -> dict[str, Any]:
    rng = stream(seed, "surface")
    return {
        "glaze": str(rng.choice(list(GLAZES), p=_GLAZE_ODDS)),
        "gloss": float(rng.choice([0.03, 0.05, 0.1, 0.2], p=[0.4, 0.3, 0.2, 0.1])),
        "finish": float(rng.choice([0.04, 0.08, 0.14, 0.22])),
    }


def _draw_light(seed: int) -> dict[str, Any]:
    rng = stream(seed, "light")
    names = [str(rng.choice(LIGHT_NAMES)) for _ in range(3)]
    strengths = [float(s) for s in rng.dirichlet([0.8, 0.8, 0.6])]
    if rng.random() < 0.7:
        names = [names[0]] * 3
    lead = int(rng.integers(3))
    strengths[lead] += 1.0
    total = sum(strengths)
    return {
        "lights": tuple(names),
        "strengths": tuple(max(s / total, 0.01) for s in strengths),
        "vivid": float(rng.choice([0.1, 0.35, 0.7], p=[0.4, 0.35, 0.25])),
    }


def _draw_surroundings(seed: int, shape: str) -> dict[str, Any]:
    rng = stream(seed, "surroundings")
    paper = str(rng.choice(["A4", "Letter"])) if rng.random() < 0.3 else None
    flat = shape not in HOLLOW
    covers = ["plate", "napkin", "hand"] if flat else ["napkin", "hand"]
    cover = str(rng.choice(covers)) if rng.random() < 0.15 else None
    return {
        "table": str(rng.choice(TABLE_KINDS)),
        "paper": paper,
        "cover": cover,
        "stack": int(rng.integers(2, 5)) if flat and rng.random() < 0.12 else 1,
        "neighbours": int(rng.integers(1, 3)) if rng.random() < 0.3 else 0,
        "clutter": int(rng.integers(0, 5)),
        "food": bool(flat and rng.random() < 0.08),
    }


def _draw_view(seed: int, shape: str) -> dict[str, Any]:
    rng = stream(seed, "view")
    level = (58.0, 84.0) if shape in HOLLOW else (0.0, 60.0)
    framing = str(rng.choice(FRAMINGS, p=[0.7, 0.15, 0.15]))
    small_roll, any_roll = float(rng.normal(0, 7)), float(rng.uniform(-180, 180))
    turn_free = shape not in HOLLOW and rng.random() < 0.3
    return {
        "framing": framing,
        "tilt_deg": float(rng.uniform(*level)),
        "roll_deg": any_roll if turn_free else small_roll,
        "fill": float(rng.uniform(0.62, 0.94)),
        "focal_35mm": float(rng.choice([24, 26, 28, 35, 50, 70], p=[0.15, 0.35, 0.15, 0.1, 0.15, 0.1])),
        "portrait": bool(rng.random() < 0.4),
        "phone": "typical",
    }


def _tame(plan: ScenePlan, rng: np.random.Generator) -> ScenePlan:
    """Make a scene clear and pleasant: whole piece, quiet table, soft daylight or warm lamp."""
    light = str(
        rng.choice(["D50", "D65", "LED-B3", "LED-B1", "LED-B5", "A"], p=[0.3, 0.25, 0.2, 0.1, 0.1, 0.05])
    )
    low, high = (60.0, 76.0) if plan.shape in HOLLOW else (6.0, 44.0)
    return replace(
        plan,
        framing="whole" if rng.random() < 0.88 else "close-up",
        lights=(light, light, light),
        strengths=(0.7, 0.2, 0.1),
        vivid=0.2,
        table=str(rng.choice(["wood", "white cloth", "coloured cloth", "dark", "checks"])),  # type: ignore[arg-type]
        cover=None,
        paper=plan.paper if rng.random() < 0.5 else None,
        stack=1,
        food=False,
        neighbours=int(rng.random() < 0.15),
        clutter=int(rng.integers(0, 2)),
        tilt_deg=float(rng.uniform(low, high)),
        roll_deg=float(rng.normal(0, 4)),
        fill=float(rng.uniform(0.82, 0.94)),
        gloss=float(rng.choice([0.03, 0.05, 0.08])),
        finish=float(rng.choice([0.06, 0.1, 0.16])),
        phone="good",
    )
