"""The choices that records allow."""

from __future__ import annotations

from typing import Literal

Metal = Literal["gold", "platinum"]
State = Literal["sound", "worn"]
PhotoRole = Literal["rim", "mark", "whole", "detail"]
Strength = Literal["weak", "moderate", "strong"]
Confidence = Literal["doubtful", "possible", "likely", "sure"]
# What a dated source says about the making of the piece: a mark or a catalogue dates itself, not the piece.
Bearing = Literal["made within", "not before", "not after"]
EvidenceKind = Literal[
    "mark",
    "line years",
    "motif years",
    "number list",
    "advertisement",
    "catalogue",
    "distributor",
    "date code",
    "document",
    "told",
    "other",
]
CLOCK_HOURS = tuple(range(1, 13))
# Common practice, no source: 0 none, 1 dulled, 2 thin spots under a tenth, 3 breaks up to a half, 4 ghost.
WEAR_SCORES = tuple(range(5))
