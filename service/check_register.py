"""Checks of the register: records readable, references there, the log true, what is drawn out current."""

from __future__ import annotations

import json
from collections.abc import Mapping
from functools import partial
from typing import Any

import sqlalchemy as sa

from service import tables as store_tables
from service.findings import Finding, Progress
from service.register import tables
from service.register.drawn_out import draw_all_out
from service.register.faults import find_faults
from service.register.forms import load_record
from service.register.links import find_broken_links, find_missing_readings
from service.register.shelf import State, columns_of, state_of
from service.store import Store

DRAWN = (tables.link, tables.photo, tables.name, tables.text, tables.sighting)
UNCOMPARED = ("stamp",)  # grows whenever a sighting is drawn out anew


def check_register(store: Store, progress: Progress) -> tuple[dict[str, int], list[Finding]]:
    """Every record for itself, against what it points to, and against the last change to it."""
    with store.looking() as tx:
        rows = list(tx.execute(sa.select(tables.record)))
        logged = _find_logged(tx)
    found: list[Finding] = []
    states: dict[str, State] = {}
    for row in progress(rows, "register records"):
        fault = _find_fault(row)
        if fault is not None:
            found.append(Finding("register record damaged", f"{row.kind} {row.id}", fault))
            continue
        states[row.id] = state_of(row)
        if row.id in logged and logged[row.id] != states[row.id]:
            text = "it is not what the last change to it says; it was changed from outside, or damaged"
            found.append(Finding("register record and log disagree", f"{row.kind} {row.id}", text))
    found += _check_references(store, states)
    if len(states) == len(rows):  # what is damaged cannot be drawn out again
        found += _check_drawn_out(store)
    return {"register records": len(rows)}, found


def _find_logged(tx: sa.Connection) -> dict[str, State]:
    """What the last change that touched each record left of it."""
    change, touch = store_tables.change, tables.touch
    joined = sa.join(touch, change, touch.c.change_id == change.c.id)
    wanted = sa.select(touch.c.record_id, change.c.records_after).select_from(joined).order_by(change.c.seq)
    latest = {record_id: text for record_id, text in tx.execute(wanted)}
    logged = {}
    for record_id, text in latest.items():
        state = (_load(text) or {}).get(record_id)
        if state is not None:
            logged[record_id] = state
    return logged


def _find_fault(row: sa.Row[Any]) -> str | None:
    body = _load(row.body)
    if not isinstance(body, dict):
        return "its body is no JSON"
    try:
        faults = find_faults(load_record(row.kind, row.id, body)) if row.removed_at is None else []
        columns = columns_of(row.kind, body)
    except (KeyError, TypeError, ValueError, AttributeError):
        return "its fields are not those of its kind"
    if faults:
        return faults[0]
    if any(getattr(row, name) != value for name, value in columns.items() if name != "key" or row.key):
        return "it is filed under another name or number than it has"
    return None


def _check_references(store: Store, states: Mapping[str, State]) -> list[Finding]:
    found = []
    with store.looking() as tx:
        for record_id, state in states.items():
            alone = {record_id: state}
            for fault in find_broken_links(tx, alone) + find_missing_readings(tx, alone):
                where = f"{state['kind']} {record_id}"
                found.append(Finding("register reference to nothing", where, fault))
    return found


class _Undone(Exception):
    """Ends a transaction that was only a trial."""


def _check_drawn_out(store: Store) -> list[Finding]:
    """Draw everything out anew, compare, and take that back."""
    same = True
    try:
        with store.writing() as tx:
            before = _copy_drawn(tx)
            draw_all_out(tx)
            same = _copy_drawn(tx) == before
            raise _Undone
    except _Undone:
        pass
    if same:
        return []
    text = "search and counts do not show what the records say"
    return [Finding("register out of date with itself", "register", text, partial(_draw_anew, store))]


def _copy_drawn(tx: sa.Connection) -> list[list[tuple[Any, ...]]]:
    copies = []
    for table in DRAWN:
        columns = [column for column in table.c if column.name not in UNCOMPARED]
        rows = [tuple(row) for row in tx.execute(sa.select(*columns).order_by(*table.primary_key))]
        copies.append(rows)
    return copies


def _draw_anew(store: Store) -> str:
    with store.writing() as tx:
        draw_all_out(tx)
    return "drawn out of the records anew"


def _load(text: str | None) -> Any:
    try:
        return json.loads(text) if text is not None else None
    except ValueError:
        return None
