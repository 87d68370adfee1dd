"""Scenes dealt like cards: every prefix of a set holds each light, glaze, shape … in its share.

A deck is shuffled, dealt to its end and shuffled again, so that after any number of scenes no card
is more than one deal ahead of its share. Everything a deck does not tell is drawn from the scene's seed.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Generic, TypeVar

import numpy as np

from training.render.pieces import HOLLOW
from training.render.spectra import LIGHT_NAMES
from training.render.tables import TABLE_KINDS

Told = dict[str, Any]
T = TypeVar("T")
FLAT = (
    *("rimmed plate",) * 3,
    *("coupe plate",) * 2,
    *("oval platter", "square plate", "scalloped plate", "wavy plate", "bowl"),
)
SIDE = ("cup", "cup", "sugar bowl", "creamer", "egg cup")
GLAZE_CARDS = (
    *("white",) * 4,
    *("ivory",) * 3,
    *("cream",) * 2,
    *("pale yellow", "pale blue", "green", "turquoise", "cobalt", "pink"),
)
ALLOY_CARDS = ("gold", "gold", "gold", "lemon gold", "red gold")
WEAR_CARDS = (*("sound",) * 11, *("rubbed",) * 3, *("broken",) * 4, *("dulled",) * 2)
TRAP_PAINTS = ("ochre", "yellow", "grey", "white", "brown")
OTHER_PAINTS = ("black", "red", "green", "blue")
# a paint that would vanish on the glaze, and what is laid instead
HIDDEN_PAINTS = {
    ("white", "white"): "grey",
    ("white", "ivory"): "ochre",
    ("white", "cream"): "brown",
    ("yellow", "pale yellow"): "ochre",
    ("blue", "cobalt"): "yellow",
    ("black", "cobalt"): "white",
    ("green", "green"): "brown",
}
WHOLE_SHEET_SHARE = 0.6  # of the photos with paper; in the others the frame may cut the sheet
SHEETS = ("A4", None, None, "Letter", None, None)
MIDDLING_VIEWS = ("whole", "whole", "whole", "stack", "neighbours", "close-up", "cut")
HARD_VIEWS = ("cut", "cloth", "offset plate", "hand", "close-up", "steep", "shaken", "cut")
SMALL_SHAPES = (*HOLLOW, "bowl")  # beside a whole sheet they would be too small in the picture


class Deck(Generic[T]):
    """Cards dealt in an order of their own, shuffled anew at each end."""

    def __init__(self, seed: int, cards: Sequence[T]) -> None:
        self._rng, self._cards = np.random.default_rng(seed), tuple(cards)
        self._left: list[int] = []

    def deal(self) -> T:
        """The next card."""
        if not self._left:
            self._left = [int(i) for i in self._rng.permutation(len(self._cards))]
        return self._cards[self._left.pop()]


class Table:
    """All decks of one set."""

    def __init__(self, seed: int) -> None:
        cards: dict[str, Sequence[Any]] = {
            "light": (*LIGHT_NAMES, "mixed", *LIGHT_NAMES, "mixed", "mixed"),
            "glaze": GLAZE_CARDS,
            "alloy": ALLOY_CARDS,
            "wear": WEAR_CARDS,
            "metal": ("gold", "platinum"),
            "trap paint": TRAP_PAINTS,
            "other paint": OTHER_PAINTS,
            "shape": (*FLAT, *FLAT, *SIDE),
            "table": TABLE_KINDS,
            "sheet": SHEETS,
            "middling": MIDDLING_VIEWS,
            "hard": HARD_VIEWS,
            "vivid": (0.1, 0.1, 0.35, 0.35, 0.7),
            "gloss": (0.03, 0.03, 0.05, 0.05, 0.1, 0.2),
            "finish": (0.04, 0.08, 0.14, 0.22),
            "difficulty": (*("clear",) * 11, *("middling",) * 6, *("hard",) * 3),
        }
        self._decks = {
            name: Deck(seed * 64 + place, held) for place, (name, held) in enumerate(cards.items())
        }

    def deal(self, name: str) -> Any:
        """The next card of a deck."""
        return self._decks[name].deal()

    def conditions(self, rng: np.random.Generator, difficulty: str) -> Told:
        """Piece, light, surroundings, view and phone of one scene of that difficulty."""
        shape = str(self.deal("shape"))
        told: Told = {"shape": shape, "glaze": self.deal("glaze"), "vivid": self.deal("vivid")}
        told |= {"gloss": self.deal("gloss"), "finish": self.deal("finish")}
        told |= _light(str(self.deal("light")), rng)
        told |= {"table": self.deal("table"), "paper": self.deal("sheet"), "food": False}
        told["paper_in_frame"] = bool(shape not in SMALL_SHAPES and rng.random() < WHOLE_SHEET_SHARE)
        told |= _plain_view(shape, difficulty, rng)
        if difficulty != "clear":
            told |= _harder_view(str(self.deal(difficulty)), shape, rng)
        return told

    def paint(self, glaze: str, rng: np.random.Generator) -> str:
        """A paint that shows on the glaze: four in five are colours that are taken for metal."""
        paint = str(self.deal("trap paint" if rng.random() < 0.8 else "other paint"))
        return HIDDEN_PAINTS.get((paint, glaze), paint)

    def metal(self, wear: str | None = None) -> Told:
        """Gold of some kind or platinum, and how worn."""
        metal = str(self.deal("metal"))
        told: Told = {"metal": metal, "wear": self.deal("wear") if wear is None else wear}
        return told | ({"alloy": self.deal("alloy")} if metal == "gold" else {})


def _light(name: str, rng: np.random.Generator) -> Told:
    if name == "mixed":
        names = [str(n) for n in rng.choice(LIGHT_NAMES, 2, replace=False)]
        places = [names[0], names[1], names[int(rng.integers(2))]]
        shares = rng.dirichlet([6.0, 6.0, 2.0])
    else:
        places, shares = [name] * 3, rng.dirichlet([1.2, 1.2, 0.8])
    shares = shares[rng.permutation(3)] if name != "mixed" else shares
    floors = np.maximum(shares, 0.02)
    return {"lights": places, "strengths": [round(float(s), 4) for s in floors / floors.sum()]}


def _plain_view(shape: str, difficulty: str, rng: np.random.Generator) -> Told:
    """A whole piece, well in the frame."""
    side = shape in HOLLOW
    low, high = (56.0, 80.0) if side else (4.0, 46.0 if difficulty == "clear" else 54.0)
    return {
        "framing": "whole",
        "cover": None,
        "stack": 1,
        "neighbours": int(rng.random() < 0.12),
        "clutter": int(rng.integers(0, 3 if difficulty == "clear" else 5)),
        "decal": bool(rng.random() < 0.1),
        "tilt_deg": round(float(rng.uniform(low, high)), 2),
        "roll_deg": round(float(rng.normal(0, 5 if difficulty == "clear" else 9)), 2),
        "fill": round(float(rng.uniform(0.72, 0.95)), 3),
        "phone": {"clear": "steady", "middling": "usual"}.get(difficulty, "usual"),
    }


def _harder_view(view: str, shape: str, rng: np.random.Generator) -> Told:
    """What makes a scene harder; a view that a shape cannot have becomes a cut one."""
    side = shape in HOLLOW
    if view in ("stack", "offset plate", "steep") and (side or shape == "bowl"):
        view = "neighbours" if view == "stack" else "cut"
    if view == "cut":
        return {"framing": "cut", "cut_at": round(float(rng.uniform(-0.1, 0.65)), 3), "paper": None}
    more: dict[str, Told] = {
        "whole": {},
        "stack": {"stack": int(rng.integers(2, 5))},
        "neighbours": {"neighbours": int(rng.integers(1, 3)), "clutter": int(rng.integers(2, 5))},
        "close-up": {"framing": "close-up", "paper": None},
        "steep": {"tilt_deg": round(float(rng.uniform(54, 66)), 2)},
        "shaken": {"phone": "typical"},
    }
    return more.get(view, {"cover": view})
