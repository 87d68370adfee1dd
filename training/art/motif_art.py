"""A motif as art: one repeat cell of a border, and the recipe that drew it."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal, get_args

import numpy as np
import numpy.typing as npt

Layout = Literal["continuous", "spaced"]
Style = Literal["filled", "open", "hatched"]
Group = Literal["p1", "p11g", "p1m1", "p2", "p2mg", "p11m", "p2mm"]
GROUPS: tuple[Group, ...] = get_args(Group)


@dataclass(frozen=True)
class Part:
    """One ornament of a cell: what (``glyph:12``, ``course:vine`` or ``leaf``), how large, how turned."""

    kind: str
    style: Style = "filled"
    height_share: float = 0.8
    turn_deg: float = 0.0
    line_px: int = 3


@dataclass(frozen=True)
class Recipe:
    """Everything that decides a drawing. Equal recipes (and art) give equal tiles.

    ``seed`` decides the details inside each part; a change of one field leaves the others as they were.
    """

    seed: int
    main: Part
    second: Part | None = None
    connector: str | None = None
    rail: str | None = None
    group: Group = "p1"
    gap_share: float = 0.15
    layout: Layout = "continuous"
    mirrored: bool = False
    thicken_px: int = 0


@dataclass(frozen=True, eq=False)
class Motif:
    """One motif (or one variant of it).

    Attributes
    ----------
    id, name, source
        Stable id, words for people, and where the art comes from ("game-icons", "procedural" ...).
    tile
        (h, w) float32 ink 0..1 of one repeat cell, its own gaps included; row 0 is the lip side.
    layout
        "continuous", or "spaced" for single stamps with wide gaps.
    symmetry
        Frieze group of the repeated tile, or None where the drawing is not clearly one or another.
    variant
        "open", "filled", "reduced" ... or None.
    recipe
        How it was drawn; None for art from elsewhere.
    """

    id: str
    name: str
    source: str
    tile: npt.NDArray[np.float32]
    layout: Layout
    symmetry: str | None = None
    variant: str | None = None
    recipe: Recipe | None = field(default=None, repr=False)

    def __post_init__(self) -> None:
        if self.tile.ndim != 2 or self.tile.dtype != np.float32:
            raise ValueError(f"a tile is (h, w) float32, got {self.tile.shape} {self.tile.dtype}")
        if self.layout not in get_args(Layout):
            raise ValueError(f"layout is one of {get_args(Layout)}, got {self.layout}")
