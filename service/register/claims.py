"""What each source claims about when a piece was made: the days that it allows, and nothing weighed yet."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any

from service.register.date_codes import read_date_code
from service.register.days import Span
from service.register.edtf import Edtf, parse_edtf
from service.register.edtf_said import say_edtf
from service.register.listed import Distributor, Line, Maker, Motif
from service.register.records import Evidence
from service.register.sightings import PieceFile

# Records whose evidence is about this one piece; evidence about a line or motif bears on many.
OWN_KINDS = ("piece", "decoration", "mark")
# Sources that date themselves. Of a line or motif they show that it was on offer then, and bound no piece of
# it; of this very piece they bound it if the person who recorded them says so.
DATES_ITSELF = ("mark", "catalogue", "advertisement", "date code")
_YEARS_KIND = {
    "maker": "document",
    "distributor": "distributor",
    "line": "line years",
    "motif": "motif years",
}


@dataclass(frozen=True)
class Claim:
    """One source and the days it allows for the making of the piece.

    Attributes
    ----------
    record_kind, record_id : the record that holds it: evidence, a list entry or a rule.
    source : what a reader is to look up.
    kind : kind of evidence. bearing : what the date bounds. strength : as the person judged it.
    date : EDTF as written. spans : days allowed, in order and apart.
    about : kind of the record that the claim is about; "piece", "line", ...
    """

    record_kind: str
    record_id: str
    source: str
    kind: str
    date: str
    bearing: str
    strength: str
    about: str
    spans: tuple[Span, ...]
    uncertain: bool = False

    @property
    def is_own(self) -> bool:
        """It is about this very piece, its decorations or its marks."""
        return self.about in OWN_KINDS

    @property
    def said(self) -> str:
        """Source and date in words."""
        bearing = "" if self.bearing == "made within" else f"{self.bearing} "
        return f"{self.source} ({bearing}{say_edtf(self.date)})"

    def as_json(self) -> dict[str, Any]:
        """Plain values."""
        return {
            "record": {"kind": self.record_kind, "id": self.record_id},
            "source": self.source,
            "kind": self.kind,
            "date": self.date,
            "bearing": self.bearing,
            "strength": self.strength,
            "about": self.about,
            "uncertain": self.uncertain,
            "spans": [span.as_json() for span in self.spans],
            "said": self.said,
        }


def bear_on_piece(date: Edtf, bearing: str) -> tuple[Span, ...]:
    """The days on which a piece can have been made if this dated source is right.

    "not before" is a terminus post quem and counts from the first day that the date allows; "not after" is
    a terminus ante quem and counts to the last.
    """
    if bearing == "not before":
        return (Span(date.earliest, None),)
    return (Span(None, date.latest),) if bearing == "not after" else date.spans


def collect_claims(file: PieceFile, own_only: bool = False) -> tuple[Claim, ...]:
    """Every dated claim on one piece: its evidence, its date codes, and the years in the lists."""
    claims = [_claim_evidence(item) for item in file.evidence if item.date and bounds_piece(item)]
    claims += _claim_date_codes(file)
    if not own_only:
        claims += _claim_listed_years(file)
    return order_claims(claim for claim in claims if claim.is_own or not own_only)


def bounds_piece(item: Evidence) -> bool:
    """Whether a dated source bounds the piece: an advertisement of its line alone says nothing about it."""
    told = item.about_kind in OWN_KINDS or item.bearing != "made within"
    return told or item.kind not in DATES_ITSELF


def order_claims(claims: Iterable[Claim]) -> tuple[Claim, ...]:
    """Each claim once, in a fixed order whatever order they came in."""
    return tuple(sorted(set(claims), key=lambda c: (c.record_kind, c.record_id, c.source, c.date, repr(c))))


def _claim_evidence(item: Evidence) -> Claim:
    assert item.date is not None
    return _make(
        "evidence", item.id, item.citation, item.kind, item.date, item.about_kind, item.bearing, item.strength
    )


def _claim_date_codes(file: PieceFile) -> Iterator[Claim]:
    for mark in file.marks:
        if mark.date_code is None:
            continue
        meanings = read_date_code(mark.date_code, mark.maker_id or file.piece.maker_id, file.lists)
        # Two makers' rules for one code: with the maker unknown either may hold, so none is claimed.
        if len({meaning.date for meaning in meanings}) == 1:
            found = meanings[0]
            yield _make(
                "date_code_rule", found.rule_id, found.sentence.rstrip("."), "date code", found.date, "mark"
            )


def _claim_listed_years(file: PieceFile) -> Iterator[Claim]:
    lists, piece = file.lists, file.piece
    named: list[tuple[str, Maker | Distributor | Line | Motif | None]] = [
        ("maker", lists.makers.get(piece.maker_id or "")),
        ("line", lists.lines.get(piece.line_id or "")),
        ("distributor", lists.distributors.get(piece.distributor_id or "")),
    ]
    named += [("motif", lists.motifs.get(seen.motif_id or "")) for seen in file.decorations]
    for kind, record in named:
        if record is not None and record.years is not None:
            source = f"Years of {record.name}" + (f", {record.source}" if record.source else "")
            yield _make(kind, record.id, source, _YEARS_KIND[kind], record.years, kind)


def _make(
    record_kind: str,
    record_id: str,
    source: str,
    kind: str,
    date: str,
    about: str,
    bearing: str = "made within",
    strength: str = "moderate",
) -> Claim:
    edtf = parse_edtf(date)
    spans = bear_on_piece(edtf, bearing)
    return Claim(record_kind, record_id, source, kind, date, bearing, strength, about, spans, edtf.uncertain)
