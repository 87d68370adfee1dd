"""What is wrong with a record in itself, and with the rules together."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import sqlalchemy as sa

from service.errors import LabelError
from service.register.date_codes import find_date_code_faults
from service.register.edtf import parse_edtf
from service.register.forms import kind_of
from service.register.listed import Want
from service.register.number_rules import find_number_rule_faults
from service.register.records import KeptApart, Piece, Record
from service.register.shelf import load_lists
from service.register.words import CLOCK_HOURS, WEAR_SCORES

DATES = ("years", "date", "when", "means")


def find_faults(record: Record) -> list[str]:
    """Each a sentence that begins with the field."""
    faults = []
    for field in DATES:
        faults += _find_date_faults(field, getattr(record, field, None))
    if isinstance(record, Piece):
        faults += _find_piece_faults(record)
    if isinstance(record, Want) and record.count < 1:
        faults.append("count: at least 1")
    if isinstance(record, KeptApart) and record.one >= record.other:
        faults.append("other: two different pieces, ids in sorted order")
    return [f"{kind_of(record).replace('_', ' ')}: {fault}" for fault in faults]


def find_date_faults(kind: str, given: Mapping[str, Any]) -> list[str]:
    """Faults of the dates in fields that do not make a record yet."""
    texts = {field: given.get(field) for field in DATES}
    said = [
        fault
        for field, text in texts.items()
        if isinstance(text, str) and text.strip()
        for fault in _find_date_faults(field, text.strip())
    ]
    return [f"{kind.replace('_', ' ')}: {fault}" for fault in said]


def _find_date_faults(field: str, text: Any) -> list[str]:
    if text is None:
        return []
    try:
        parse_edtf(text)
    except LabelError as error:
        return [f"{field}: {error}"]
    return []


def _find_piece_faults(piece: Piece) -> list[str]:
    faults = [] if piece.count >= 1 else ["count: at least 1"]
    for wear in piece.wear:
        if wear.clock not in CLOCK_HOURS or wear.score not in WEAR_SCORES:
            faults.append("wear: a clock position is 1 to 12 and a score 0 to 4")
    if len({wear.clock for wear in piece.wear}) < len(piece.wear):
        faults.append("wear: one score for each clock position")
    for size in piece.measurements:
        low, high = size.low_mm or size.mm, size.high_mm or size.mm
        if not low <= size.mm <= high:
            faults.append(f"measurements: {size.what} lies outside its own error bar")
    if piece.private is not None:
        faults += _find_date_faults("private.bought", piece.private.bought)
    return faults


def find_rule_faults(tx: sa.Connection) -> list[str]:
    """Rules that say nothing or contradict each other."""
    lists = load_lists(tx)
    faults = find_number_rule_faults(lists.number_rules.values(), lists)
    return [*faults, *find_date_code_faults(lists.date_code_rules.values(), lists)]
