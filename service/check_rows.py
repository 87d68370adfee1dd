"""Checks of the rows: the database itself, references, shape, facts, vectors, the log against the items."""

from __future__ import annotations

import array
import json
import math
from collections.abc import Sequence
from functools import partial
from typing import Any

import sqlalchemy as sa

from service import items, ledger, tables
from service.database import connect_in_memory
from service.findings import Finding, Progress
from service.migrations import MIGRATIONS
from service.store import Store

UNIT_TOLERANCE = 1e-3  # float32 unit vectors of some hundred numbers are exact to about 1e-6
INDEX_TROUBLE = ("missing from index", "wrong # of entries in index", "non-unique entry in index")


def check_database(store: Store) -> list[Finding]:
    """SQLite's own checks: every page, every index, every reference."""
    with store.looking() as tx:
        said = [str(line) for line in tx.exec_driver_sql("PRAGMA integrity_check").scalars()]
        loose = list(tx.exec_driver_sql("PRAGMA foreign_key_check"))
    found = []
    wrong = [line for line in said if line != "ok"]
    if wrong and all(any(word in line for word in INDEX_TROUBLE) for line in wrong):
        found.append(Finding("index damaged", "database", wrong[0], partial(_make_indexes_anew, store)))
    else:
        found += [Finding("database damaged", "database", line) for line in wrong]
    for table, rowid, target, _ in loose:
        text = f"it points to a row of {target} that is not there"
        found.append(Finding("reference to nothing", f"{table} {rowid}", text))
    return found


def check_shape(store: Store) -> list[Finding]:
    """Every table, index and trigger that today's program would make, the append-only rules among them."""
    with connect_in_memory().begin() as fresh:
        for number in sorted(MIGRATIONS):
            MIGRATIONS[number](fresh)
        wanted = _list_shape(fresh)
    with store.looking() as tx:
        present = _list_shape(tx)
    found = []
    for name, statement in wanted.items():
        if name not in present:
            mend = (
                partial(_make_missing, store, statement) if not statement.startswith("CREATE TABLE") else None
            )
            found.append(Finding("part of the database missing", name, "it was taken out", mend))
    return found


def check_readings(store: Store, progress: Progress) -> tuple[dict[str, int], list[Finding]]:
    """Every reading's facts and vectors, and the item that shows it."""
    with store.looking() as tx:
        ids = list(tx.execute(sa.select(tables.reading.c.id)).scalars())
    found, vectors = [], 0
    lengths: dict[str, int] = {}
    for reading_id in progress(ids, "readings"):
        with store.looking() as tx:
            row = tx.execute(sa.select(tables.reading).where(tables.reading.c.id == reading_id)).first()
            if row is None:  # removed meanwhile
                continue
            rows = list(tx.execute(_vectors_of(reading_id)))
            item = items.find_item_of_reading(tx, reading_id)
        vectors += len(rows)
        fault = _find_fact_fault(row)
        if fault is not None:
            found.append(Finding("facts damaged", f"reading {reading_id}", fault))
        fault = _find_vector_fault(row, rows, lengths)
        if fault is not None:
            text = f"{fault}; they are made again from the photo"
            mend = partial(_make_stale, store, reading_id)
            found.append(Finding("vectors damaged", f"reading {reading_id}", text, mend))
        elif (
            item is not None and row.recipe_id is not None and bool(item._mapping["matchable"]) != bool(rows)
        ):
            text = "it says it can be matched and has no vectors, or the other way round"
            mend = partial(_correct_matchable, store, item._mapping["id"], bool(rows))
            found.append(Finding("item and vectors disagree", f"item {item._mapping['id']}", text, mend))
    return {"readings": len(ids), "vectors": vectors}, found


def check_log(store: Store) -> tuple[dict[str, int], list[Finding]]:
    """Every item is what the last line of the log about it says."""
    with store.looking() as tx:
        after = _find_last_said(tx)
        ids = list(tx.execute(sa.select(tables.gallery_item.c.id)).scalars())
        found = []
        for item_id in ids:
            said = after.get(item_id)  # the items of the demo gallery start without a line
            present = items.snapshot(items.find_item(tx, item_id)) or {}
            if said and any(present.get(name) != value for name, value in said.items()):
                text = "it is not what the last change to it says; it was changed from outside, or damaged"
                found.append(Finding("item and log disagree", f"item {item_id}", text))
    return {"gallery items": len(ids)}, found


def _find_last_said(tx: sa.Connection) -> dict[str, dict[str, Any]]:
    """What the log says last of each item, in changes to one item and to several together."""
    change = tables.change
    wanted = sa.select(change.c.item_id, change.c.after).where(change.c.after.is_not(None))
    last: dict[str, dict[str, Any]] = {}
    for item_id, after in tx.execute(wanted.order_by(change.c.seq)):
        said = _load(after) or {}
        last |= {item_id: said} if item_id is not None else said.get(ledger.ITEMS, {})
    return last


def _vectors_of(reading_id: str) -> sa.Select[Any]:
    vector = tables.vector
    return sa.select(vector).where(vector.c.reading_id == reading_id).order_by(vector.c.ordinal)


def _find_fact_fault(row: sa.Row[Any]) -> str | None:
    facts = _load(row.facts)
    if not isinstance(facts, dict):
        return "its facts are no JSON"
    if facts.get("id") != row.id:
        return "its facts are those of another reading"
    if not isinstance(facts.get("photo"), dict) or facts["photo"].get("sha256") != row.photo_sha256:
        return "its facts are about another photo"
    return None


def _find_vector_fault(row: sa.Row[Any], rows: Sequence[sa.Row[Any]], lengths: dict[str, int]) -> str | None:
    """What is wrong with a reading's vectors; ``lengths`` remembers the length that each recipe makes."""
    for place, vector in enumerate(rows):
        if vector.recipe_id != row.recipe_id:
            return "they come from another recipe than the reading"
        if vector.ordinal != place:
            return "one is missing"
        expected = lengths.setdefault(vector.recipe_id, len(vector.numbers))
        if not vector.numbers or len(vector.numbers) % 4 or len(vector.numbers) != expected:
            return "one has another length than its recipe makes"
        length = math.sqrt(math.fsum(x * x for x in array.array("f", vector.numbers)))
        if not abs(length - 1.0) <= UNIT_TOLERANCE:  # also true of not-a-number
            return "one is not of unit length"
    return None


def _load(text: str | None) -> Any:
    try:
        return json.loads(text) if text is not None else None
    except ValueError:
        return None


def _list_shape(tx: sa.Connection) -> dict[str, str]:
    rows = tx.exec_driver_sql("SELECT name, sql FROM sqlite_master WHERE sql IS NOT NULL")
    return {str(name): str(statement) for name, statement in rows if not str(name).startswith("sqlite_")}


def _make_indexes_anew(store: Store) -> str:
    with store.writing() as tx:
        tx.exec_driver_sql("REINDEX")
    return "the indexes were made again from the rows"


def _make_missing(store: Store, statement: str) -> str:
    with store.writing() as tx:
        tx.exec_driver_sql(statement)
    return "made again"


def _make_stale(store: Store, reading_id: str) -> str:
    """Keep the numbers as they are outside the database; the next start reads the photo again."""
    with store.writing() as tx:
        rows = [dict(row._mapping) for row in tx.execute(_vectors_of(reading_id))]
        kept = store.quarantine.take_rows(f"vectors-{reading_id}", rows)
        tx.execute(sa.delete(tables.vector).where(tables.vector.c.reading_id == reading_id))
        tx.execute(sa.update(tables.reading).where(tables.reading.c.id == reading_id).values(recipe_id=None))
    return f"set aside as {kept.name}; the next `rimlight serve` reads the photo again"


def _correct_matchable(store: Store, item_id: str, has_vectors: bool) -> str:
    reason = None if has_vectors else "No vectors are stored for this photo: it is kept but not matched."
    with store.writing() as tx:
        before = items.snapshot(items.find_item(tx, item_id))
        items.update_item(tx, item_id, matchable=has_vectors, reason=reason)
        ledger.log_change(tx, "check", "repair", item_id, before)
    return "corrected"
