"""Records written all together or not at all: rows, what is drawn out of them, and every check."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from typing import Any

import sqlalchemy as sa

from service.errors import RecordError
from service.register.drawn_out import draw_out
from service.register.faults import find_faults, find_rule_faults
from service.register.forms import load_record
from service.register.links import find_broken_links, find_missing_readings, find_taken_names
from service.register.number_rules import write_number_key
from service.register.records import KINDS
from service.register.shelf import State, columns_of, find_rows, in_parts, state_of
from service.register.tables import record as table
from service.store import now

MOST_FAULTS = 20  # told at once


def put_states(tx: sa.Connection, wanted: Mapping[str, State]) -> None:
    """Give records these states; the caller's transaction must end when this fails.

    Raises
    ------
    RecordError
        Naming what cannot be: a date, a name that is taken, a record pointed at that is not there,
        one still used that would go, rules that contradict each other.
    """
    faults = _find_faults(wanted)
    if faults:
        raise RecordError(faults[:MOST_FAULTS])
    rows = find_rows(tx, wanted)
    before = {i: state_of(row) for i, row in rows.items()}
    faults = find_taken_names(tx, wanted) + find_missing_readings(tx, wanted)
    if faults:
        raise RecordError(faults[:MOST_FAULTS])
    _write_rows(tx, wanted, set(rows))
    faults = find_broken_links(tx, wanted)
    if any(s["kind"] in ("number_rule", "date_code_rule", "line", "distributor") for s in wanted.values()):
        faults += find_rule_faults(tx)
    if faults:
        raise RecordError(faults[:MOST_FAULTS])
    draw_out(tx, wanted, _find_affected(tx, [*before.values(), *wanted.values()]))


def _find_faults(wanted: Mapping[str, State]) -> list[str]:
    faults = []
    for record_id, state in wanted.items():
        if state["present"]:
            faults += find_faults(load_record(state["kind"], record_id, state["body"]))
    return faults


def _write_rows(tx: sa.Connection, wanted: Mapping[str, State], known: set[str]) -> None:
    at = now()
    for part in in_parts(known):  # so that two records may swap their numbers in one change
        tx.execute(sa.update(table).where(table.c.id.in_(part)).values(key=None))
    ordered = sorted(wanted, key=lambda i: list(KINDS).index(wanted[i]["kind"]))
    new = [_row(i, wanted[i], at) | {"added_at": at} for i in ordered if i not in known]
    if new:
        tx.execute(sa.insert(table), new)
    old = [_row(i, wanted[i], at) for i in ordered if i in known]
    if old:
        changed: dict[str, Any] = {name: sa.bindparam(f"new_{name}") for name in old[0] if name != "id"}
        statement = sa.update(table).where(table.c.id == sa.bindparam("new_id")).values(changed)
        tx.execute(statement, [{f"new_{name}": value for name, value in row.items()} for row in old])


def _row(record_id: str, state: State, at: str) -> dict[str, Any]:
    kind, body = state["kind"], state["body"]
    return {
        "id": record_id,
        "kind": kind,
        **columns_of(kind, body),
        "body": write_body(body),
        "changed_at": at,
        "removed_at": None if state["present"] else at,
    }


def write_body(body: Mapping[str, Any]) -> str:
    """One spelling of a body, so that equal ones compare equal."""
    return json.dumps(body, sort_keys=True, separators=(",", ":"), ensure_ascii=False)


def _find_affected(tx: sa.Connection, states: Iterable[State]) -> set[str]:
    """Pieces whose text or years hang on these records, as they were or as they are."""
    pieces: set[str] = set()
    about: set[str] = set()
    codes: set[str] = set()
    for state in states:
        body = state["body"]
        if "piece_id" in body:
            pieces.add(body["piece_id"])
        if body.get("about_kind") == "piece":
            pieces.add(body["about_id"])
        elif body.get("about_kind") in ("decoration", "mark"):
            about.add(body["about_id"])
        if state["kind"] == "date_code_rule":
            codes.add(write_number_key(body["code"]))
    pieces |= {row.piece_id for row in find_rows(tx, about).values() if row.piece_id is not None}
    for part in in_parts(codes):
        wanted = sa.select(table.c.piece_id).where(table.c.code.in_(part), table.c.removed_at.is_(None))
        pieces |= set(tx.execute(wanted.distinct()).scalars())
    return pieces
