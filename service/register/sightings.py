"""What views over the whole register work on: flat sightings, whole lists, the file of one piece."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from service.register.listed import DateCodeRule, Distributor, Line, Maker, Motif, NumberRule
from service.register.records import Decoration, Evidence, Mark, Opinion, Piece


@dataclass(frozen=True, slots=True)
class Sighting:
    """One decoration on one piece, flat: what grid, overlaps, news, timeline and conflicts count.

    A piece without any decoration recorded gives one sighting whose ``decoration_id`` is None.
    ``earliest`` and ``latest`` are the first and last year of the piece's own evidence (of the piece, its
    marks and its decorations; both ends included), None where that side is open or nothing is known;
    where that evidence clashes both are None and ``clash`` is true. The years of its line, motif and maker
    are not in it: they stand in the lists.
    """

    piece_id: str
    piece_number: str
    piece_kind: str
    owned: bool
    decoration_id: str | None
    motif_id: str | None
    variant: str | None
    metal: str | None
    line_id: str | None
    maker_id: str | None
    distributor_id: str | None
    number: str | None  # decoration number as read
    earliest: int | None
    latest: int | None
    clash: bool = False


@dataclass(frozen=True)
class Lists:
    """The short lists whole, each by id; pieces stay in the store."""

    makers: Mapping[str, Maker] = field(default_factory=dict)
    distributors: Mapping[str, Distributor] = field(default_factory=dict)
    lines: Mapping[str, Line] = field(default_factory=dict)
    motifs: Mapping[str, Motif] = field(default_factory=dict)
    number_rules: Mapping[str, NumberRule] = field(default_factory=dict)
    date_code_rules: Mapping[str, DateCodeRule] = field(default_factory=dict)


@dataclass(frozen=True)
class PieceFile:
    """Everything the register holds about one piece, for its bracket, its label and its sheet.

    ``evidence`` and ``opinions`` are those about the piece, its decorations and marks, and about the
    motif, line, maker and distributor that it names.
    """

    piece: Piece
    decorations: tuple[Decoration, ...] = ()
    marks: tuple[Mark, ...] = ()
    evidence: tuple[Evidence, ...] = ()
    opinions: tuple[Opinion, ...] = ()
    lists: Lists = field(default_factory=Lists)
