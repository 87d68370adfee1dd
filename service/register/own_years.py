"""First and last year of one piece by its own evidence: what a sighting carries for charts and grids.

The years of its line, motif and maker are left out on purpose: those are what the pieces are to show.
"""

from __future__ import annotations

from service.errors import LabelError
from service.items import fold
from service.register.days import EVER, Span, intersect_spans
from service.register.edtf import parse_edtf
from service.register.listed import DateCodeRule
from service.register.records import Evidence, Mark, Piece

Years = tuple[int | None, int | None, bool]


def find_own_years(
    piece: Piece, marks: tuple[Mark, ...], evidence: tuple[Evidence, ...], rules: tuple[DateCodeRule, ...]
) -> Years:
    """(first year, last year, whether the evidence clashes); both None where it does, or says nothing."""
    spans = [_bear_on_piece(item.date, item.bearing) for item in evidence if item.date is not None]
    spans += [_bear_on_piece(rule.means, "made within") for rule in rules if _applies(rule, piece, marks)]
    common = EVER
    for span in spans:
        common = intersect_spans(common, span)
    if common.is_empty:
        return None, None, True
    return common.first_year, common.last_year, False


def _bear_on_piece(date: str, bearing: str) -> Span:
    """The days on which the piece can have been made if this date is right."""
    try:
        span = parse_edtf(date).span
    except LabelError:  # stored by an older version with another reading of dates
        return EVER
    if bearing == "not before":
        return Span(span.earliest, None)
    return Span(None, span.latest) if bearing == "not after" else span


def _applies(rule: DateCodeRule, piece: Piece, marks: tuple[Mark, ...]) -> bool:
    return any(
        mark.date_code is not None
        and fold(mark.date_code) == fold(rule.code)
        and rule.maker_id in (None, mark.maker_id or piece.maker_id)
        for mark in marks
    )
