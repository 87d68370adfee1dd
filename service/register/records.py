"""The register's records, kept apart as fact, evidence and opinion. Plain frozen values: no SQL, no clock.

A date is always EDTF text as it was written (``1935~``, ``1932/1937``, ``[..1941]``). A record points to
others by id. An empty text or tuple is never used for "not known": that is None, or no entry.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from service.register.listed import DateCodeRule, Distributor, Line, Maker, Motif, NumberRule, Want
from service.register.words import Bearing, Confidence, EvidenceKind, Metal, PhotoRole, State, Strength

# Facts: what anybody can see, measure or count on the piece.


@dataclass(frozen=True)
class Defect:
    """One defect: what, where, how large; the grade of the piece comes after these, never instead."""

    kind: str
    place: str
    size_mm: float | None = None
    note: str | None = None


@dataclass(frozen=True)
class TrimWear:
    """Wear of the trim at one clock position (12 = top of the main photo), scored 0 to 4."""

    clock: int
    score: int


@dataclass(frozen=True)
class Measurement:
    """One dimension as measured, with the ends of its error bar where they are known."""

    what: str
    mm: float
    low_mm: float | None = None
    high_mm: float | None = None


@dataclass(frozen=True)
class PiecePhoto:
    """A photo of the piece: a reading of this store, what it shows, and whether it is the main one."""

    reading_id: str
    role: PhotoRole = "rim"
    note: str | None = None


@dataclass(frozen=True)
class Private:
    """What only the owner sees."""

    price: str | None = None
    seller: str | None = None
    place: str | None = None
    bought: str | None = None  # EDTF


@dataclass(frozen=True)
class Piece:
    """One object owned (or seen, with ``owned`` false), under a number of the owner's own."""

    id: str
    number: str  # unique in the register
    piece_kind: str  # "dinner plate", "cup", "saucer", "lid" ...
    title: str | None = None
    owned: bool = True
    count: int = 1
    maker_id: str | None = None
    line_id: str | None = None
    distributor_id: str | None = None
    nominal_size: str | None = None  # the trade's size, as "9 in"
    measurements: tuple[Measurement, ...] = ()
    materials: str | None = None
    kept_at: str | None = None
    defects: tuple[Defect, ...] = ()
    grade: str | None = None
    wear: tuple[TrimWear, ...] = ()
    photos: tuple[PiecePhoto, ...] = ()
    features: str | None = None  # what tells it from others of its kind
    description: str | None = None
    goes_with: tuple[str, ...] = ()  # ids of pieces taken to be of one set with it: saucer, lid
    private: Private | None = None
    note: str | None = None


@dataclass(frozen=True)
class PaintedLine:
    """A painted line at the edge, the verge or elsewhere, its colour's name ("gold", "red", ...)."""

    place: str
    colour: str
    width_mm: float | None = None


@dataclass(frozen=True)
class Decoration:
    """One decoration as seen on one piece. ``number`` is the decoration number exactly as read."""

    id: str
    piece_id: str
    motif_id: str | None = None
    variant: str | None = None
    metal: Metal | None = None
    state: State | None = None
    lines: tuple[PaintedLine, ...] = ()
    decal: str | None = None
    number: str | None = None
    reading_id: str | None = None
    note: str | None = None


@dataclass(frozen=True)
class Mark:
    """A mark as a person reads it; unreadable parts stand as ``[...]``, doubtful ones as ``[?]``."""

    id: str
    piece_id: str
    transcription: str
    technique: str | None = None  # printed, impressed, painted, label
    colour: str | None = None
    place: str | None = None
    maker_id: str | None = None
    date_code: str | None = None
    reading_id: str | None = None  # its photo
    suggestion: str | None = None  # what a program read; never a fact
    note: str | None = None


# Evidence: what somebody else has set down. Opinion: what somebody thinks, and on what.


@dataclass(frozen=True)
class Evidence:
    """A dated or undated source about one record. ``about_kind`` is a key of ``KINDS``."""

    id: str
    about_kind: str
    about_id: str
    kind: EvidenceKind
    citation: str
    date: str | None = None  # EDTF
    bearing: Bearing = "made within"
    strength: Strength = "moderate"
    note: str | None = None


@dataclass(frozen=True)
class Opinion:
    """What ``who`` thinks about one record, when (EDTF), on which evidence, and how sure."""

    id: str
    about_kind: str
    about_id: str
    what: str
    who: str
    when: str
    evidence_ids: tuple[str, ...] = ()
    confidence: Confidence = "possible"
    note: str | None = None


@dataclass(frozen=True)
class KeptApart:
    """A merge that was refused: two pieces that are not the same object, their ids in sorted order."""

    id: str
    one: str
    other: str
    why: str | None = None


Record = (
    Piece
    | Decoration
    | Mark
    | Maker
    | Distributor
    | Line
    | Motif
    | NumberRule
    | DateCodeRule
    | Want
    | Evidence
    | Opinion
    | KeptApart
)
KINDS: Mapping[str, type[Record]] = {
    "piece": Piece,
    "decoration": Decoration,
    "mark": Mark,
    "maker": Maker,
    "distributor": Distributor,
    "line": Line,
    "motif": Motif,
    "number_rule": NumberRule,
    "date_code_rule": DateCodeRule,
    "want": Want,
    "evidence": Evidence,
    "opinion": Opinion,
    "kept_apart": KeptApart,
}
