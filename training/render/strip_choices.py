"""What a rendered strip shows: every choice of a scene, drawn at random or told."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import Any, Literal

import numpy as np

from training.art.motif_art import Motif

Metal = Literal["gold", "platinum", "paint"]
Colour = tuple[float, float, float]

# Linear albedo of glazes and paints: rounded, made up to span what tableware shows; no measurements.
GLAZES: dict[str, Colour] = {
    "white": (0.82, 0.82, 0.80),
    "ivory": (0.80, 0.72, 0.55),
    "cream": (0.78, 0.74, 0.64),
    "pale blue": (0.52, 0.64, 0.76),
    "pale green": (0.56, 0.68, 0.55),
    "pink": (0.78, 0.55, 0.52),
    "grey": (0.45, 0.46, 0.47),
    "yellow": (0.78, 0.62, 0.22),
    "celadon": (0.40, 0.52, 0.42),
    "turquoise": (0.10, 0.40, 0.42),
    "cobalt": (0.03, 0.06, 0.28),
    "maroon": (0.22, 0.03, 0.04),
    "green": (0.04, 0.16, 0.08),
    "black": (0.02, 0.02, 0.022),
}
GLAZE_WEIGHTS = (5, 3, 3, 1, 1, 1, 0.7, 0.7, 0.7, 0.5, 0.7, 0.5, 0.4, 0.4)
PAINTS: dict[str, Colour] = {
    "ochre": (0.45, 0.27, 0.06),
    "grey": (0.32, 0.32, 0.33),
    "brown": (0.14, 0.07, 0.03),
    "black": (0.02, 0.02, 0.02),
    "red": (0.40, 0.04, 0.03),
    "green": (0.04, 0.20, 0.07),
    "blue": (0.03, 0.07, 0.32),
    "white": (0.85, 0.85, 0.83),
    "pink": (0.60, 0.22, 0.24),
}
LINE_CHOICES = ("none", "none", "same", "same", "gold", "platinum", "paint")


@dataclass(frozen=True)
class StripChoices:
    """One scene. Lengths are strip pixels, shares 0..1, light relative to a white glaze in full light."""

    height_px: int
    width_px: int
    lip_row: int
    visible_share: float
    closed: bool
    metal: Metal
    paint: str
    glaze: str
    border_top_px: float
    border_height_px: float
    repeat_px: float
    phase_share: float
    mirrored: bool
    upside_down: bool
    edge_line: str
    edge_line_px: float
    verge_line: str
    verge_row: float
    verge_line_px: float
    wear_share: float
    drift_px: float
    scale_change: float
    seam: bool
    shading: float
    glare: float
    glare_streak: float
    embossing: float
    decal: float
    food: bool
    covered_share: float
    blur_px: float
    shrink: float
    noise: float
    exposure: float
    cast: Colour
    contrast: float
    saturation: float
    sharpening: float
    jpeg_quality: int
    room_variety: float = 1.0  # of what the metal mirrors, in level and colour; 0: an even grey room


def choose_scene(motif: Motif, rng: np.random.Generator, metal: Metal, **told: Any) -> StripChoices:
    """Draw the choices of one strip; keyword arguments with a field's name are kept as told.

    Raises
    ------
    TypeError
        A keyword is not a choice.
    """
    unknown = set(told) - {field.name for field in fields(StripChoices)}
    if unknown:
        raise TypeError(f"not choices of a strip: {sorted(unknown)}")
    height = int(told.get("height_px", rng.integers(72, 145)))
    width = int(told.get("width_px", rng.integers(480, 860)))
    rows = _choose_rows(rng, height, told)
    repeat = max(1.0, rows["border_height_px"] * motif.tile.shape[1] / motif.tile.shape[0])
    closed = bool(told.get("closed", rng.random() < 0.08 and repeat < width / 3))
    if closed:
        repeat = width / max(1, round(width / repeat))
    glaze = str(told.get("glaze", _pick(rng, tuple(GLAZES), GLAZE_WEIGHTS)))
    choices = StripChoices(
        height_px=height,
        width_px=width,
        visible_share=1.0 if closed else float(rng.uniform(0.1, 0.6)),
        closed=closed,
        metal=metal,
        paint=_pick_paint(rng, glaze),
        glaze=glaze,
        repeat_px=repeat * (1.0 if closed else float(rng.uniform(0.93, 1.07))),
        phase_share=float(rng.random()),
        mirrored=bool(rng.random() < 0.1),
        upside_down=False,
        **rows,
        **_choose_surface(rng, height),
        **_choose_camera(rng),
    )
    return replace(choices, **told)


def _choose_rows(rng: np.random.Generator, height: int, told: dict[str, Any]) -> dict[str, Any]:
    """Where lip, edge line, border and verge lie; the border's height within 14 to 75 % of the strip."""
    lip = int(told.get("lip_row", rng.integers(2, 9)))
    body = height - lip
    border = float(told.get("border_height_px", body * rng.uniform(0.16, 0.72)))
    edge = str(rng.choice(LINE_CHOICES))
    edge_px = float(rng.uniform(1.5, max(2.0, 0.07 * body)))
    room = max(0.0, body - border - (edge_px if edge != "none" else 0) - 3)
    gap = float(room * rng.choice([rng.uniform(0, 0.06), rng.uniform(0.05, 0.5), rng.uniform(0, 1)]))
    top = lip + (edge_px + 1.0 if edge != "none" else 0.5) + gap
    bottom = min(top + border, height)
    verge = float(rng.uniform(min(bottom + 2, height), height + 0.4 * body))
    return {
        "lip_row": lip,
        "border_top_px": float(told.get("border_top_px", top)),
        "border_height_px": border,
        "edge_line": edge,
        "edge_line_px": edge_px,
        "verge_line": str(rng.choice(LINE_CHOICES)),
        "verge_row": verge,
        "verge_line_px": float(rng.uniform(1.2, max(1.5, 0.05 * body))),
    }


def _choose_surface(rng: np.random.Generator, height: int) -> dict[str, Any]:
    """Wear, warp, light on the glaze, and what disturbs."""
    worn = rng.random() < 0.3
    return {
        "wear_share": float(rng.uniform(0.05, 0.7)) if worn else float(rng.uniform(0, 0.03)),
        "drift_px": float(
            height * rng.choice([rng.uniform(0, 0.01), rng.uniform(0, 0.04), rng.uniform(0, 0.1)])
        ),
        "scale_change": float(rng.uniform(0, 0.12)),
        "seam": bool(rng.random() < 0.15),
        "shading": float(rng.uniform(0.05, 0.6)),
        "glare": float(rng.uniform(0.2, 2.5)) if rng.random() < 0.5 else 0.0,
        "glare_streak": float(rng.uniform(0.2, 1.5)) if rng.random() < 0.35 else 0.0,
        "embossing": float(rng.uniform(0.03, 0.2)) if rng.random() < 0.12 else 0.0,
        "decal": float(rng.uniform(0.4, 1.0)) if rng.random() < 0.15 else 0.0,
        "food": bool(rng.random() < 0.06),
        "covered_share": float(rng.uniform(0.05, 0.3)) if rng.random() < 0.12 else 0.0,
    }


def _choose_camera(rng: np.random.Generator) -> dict[str, Any]:
    """Blur, resolution, exposure, balance error and the phone's own cooking."""
    warm = float(rng.normal(0, 0.22))
    return {
        "blur_px": float(rng.choice([rng.uniform(0.3, 0.9), rng.uniform(0.6, 2.2)])),
        "shrink": float(rng.choice([1.0, rng.uniform(1.0, 2.4)])),
        "noise": float(rng.choice([rng.uniform(0.002, 0.02), rng.uniform(0.002, 0.06)], p=(0.7, 0.3))),
        "exposure": float(np.exp(rng.uniform(-0.7, 0.35))),
        "cast": (float(np.exp(warm)), float(np.exp(rng.normal(0, 0.04))), float(np.exp(-warm))),
        "contrast": float(rng.uniform(0, 0.5)),
        "saturation": float(rng.uniform(0.85, 1.3)),
        "sharpening": float(rng.choice([0.0, rng.uniform(0.2, 1.2)])),
        "jpeg_quality": int(rng.integers(60, 96)),
    }


def _pick_paint(rng: np.random.Generator, glaze: str) -> str:
    """A paint that shows on the glaze: some channel apart by a third or more."""
    under = np.log(GLAZES[glaze])
    return str(rng.choice([name for name, rgb in PAINTS.items() if np.abs(np.log(rgb) - under).max() > 0.35]))


def _pick(rng: np.random.Generator, names: tuple[str, ...], weights: tuple[float, ...]) -> str:
    shares = np.asarray(weights) / sum(weights)
    return str(rng.choice(names, p=shares))
