"""What comes and goes together: a new piece with its decorations and marks, a removed one with all on it."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Any

import sqlalchemy as sa

from service.errors import RecordError
from service.items import find_motif, new_id
from service.register.draft import Draft
from service.register.faults import find_date_faults, find_faults
from service.register.forms import kind_of, read_record, record_body
from service.register.meant import put_ids
from service.register.records import KINDS, Record
from service.register.shelf import find_hanging, find_record, find_said_about
from service.register.tables import record as table

HUNG = {"decorations": "decoration", "marks": "mark"}  # lists that may come inside a new piece
MOST_HUNG = 50


def put_new(draft: Draft, kind: str, given: Mapping[str, Any], new_names: bool) -> Record:
    """Put a new record into the draft; every fault of it and of what it brings is told at once.

    Raises
    ------
    RecordError
        Naming every field that cannot be used.
    """
    if kind not in KINDS:
        raise RecordError([f"kind: expected one of {', '.join(KINDS)}, got {kind[:40]!r}"])
    own = {name: value for name, value in given.items() if kind != "piece" or name not in HUNG}
    faults: list[str] = []
    record = _try_record(draft, kind, _choose_id(draft, kind, own), own, new_names, faults)
    if kind == "piece":
        for name, hung_kind in HUNG.items():
            for number, hung in enumerate(_list_hung(given, name, faults)):
                said: list[str] = []
                piece_id = record.id if record is not None else "?"
                _try_record(draft, hung_kind, new_id(), {**hung, "piece_id": piece_id}, new_names, said)
                faults += [f"{name}[{number}].{fault}" for fault in said]
    if faults or record is None:
        raise RecordError(faults)
    return record


def put_corrected(draft: Draft, held: Record, given: Mapping[str, Any], new_names: bool) -> Record:
    """Put a record into the draft with some fields given anew; every fault is told at once.

    Raises
    ------
    RecordError
        Naming every field that cannot be used.
    """
    faults: list[str] = []
    kind = kind_of(held)
    record = _try_record(draft, kind, held.id, given, new_names, faults, record_body(held))
    if faults or record is None:
        raise RecordError(faults)
    return record


def _choose_id(draft: Draft, kind: str, own: Mapping[str, Any]) -> str:
    """A new id; a motif has the gallery's id of the same motif."""
    name = own.get("name")
    if kind != "motif" or not isinstance(name, str) or not name.strip():
        return new_id()
    read_record(kind, "?", {"name": name})
    record_id = find_motif(draft.tx, name)
    if find_record(draft.tx, "motif", record_id) is not None:
        raise RecordError([f"name: {name.strip()[:60]!r} is in the register already"])
    return record_id


def _try_record(
    draft: Draft,
    kind: str,
    record_id: str,
    given: Mapping[str, Any],
    new_names: bool,
    faults: list[str],
    held: Mapping[str, Any] = MappingProxyType({}),
) -> Record | None:
    named = {**held, **put_ids(draft, kind, given, new_names, faults)}
    try:
        record = read_record(kind, record_id, named)
    except RecordError as error:
        faults += error.faults
        faults += find_date_faults(kind, named)  # the other faults need a whole record
        return None
    faults += find_faults(record)
    draft.put(record)
    return record


def _list_hung(given: Mapping[str, Any], name: str, faults: list[str]) -> list[Mapping[str, Any]]:
    hung = given.get(name) or []
    if not isinstance(hung, list) or len(hung) > MOST_HUNG or not all(isinstance(h, Mapping) for h in hung):
        faults.append(f"{name}: expected a list of at most {MOST_HUNG} objects")
        return []
    return hung


def list_with_it(tx: sa.Connection, record_id: str, kind: str) -> list[str]:
    """The record and everything that makes no sense without it."""
    hanging = [r.id for r in find_hanging(tx, [record_id]).get(record_id, ())] if kind == "piece" else []
    if kind not in ("piece", "decoration", "mark"):
        return [record_id]
    under = [record_id, *hanging]
    said = [record.id for records in find_said_about(tx, under).values() for record in records]
    return [*under, *said]


def find_free_number(tx: sa.Connection) -> str:
    """One more than the highest plain number that a piece has."""
    plain = sa.and_(sa.func.length(table.c.sort_key) == 12, table.c.sort_key < ":")
    wanted = sa.select(sa.func.max(table.c.sort_key)).where(
        table.c.kind == "piece", table.c.removed_at.is_(None), plain
    )
    highest = tx.execute(wanted).scalar()
    return str(int(highest) + 1) if highest is not None and highest.isdigit() else "1"
