"""Somebody else's archive brought into a gallery in use: shown first, then done as one change."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any

import sqlalchemy as sa

from service import ledger, tables
from service.exchange.archive import Archive
from service.exchange.merge_facts import MergePlan, Row
from service.exchange.merge_plan import plan_merge
from service.exchange.rows import is_untouched, put_rows
from service.exchange.whole import (
    Progress,
    check_content,
    check_rows,
    check_schema,
    import_everything,
    keep_files,
    refusing_odd_rows,
    verify_all,
)
from service.items import KEPT_IN_LOG, find_item, snapshot, update_item
from service.register.draft import Draft
from service.register.forms import read_record
from service.store import Store


def preview_merge(store: Store, archive: Archive, progress: Progress) -> MergePlan:
    """What a merge would do; nothing is changed.

    Raises
    ------
    ArchiveRefused
        The archive is not whole, or made by a newer version.
    """
    check_schema(archive)
    verify_all(archive, progress)
    with refusing_odd_rows(archive), store.looking() as tx:
        check_rows(archive)
        return plan_merge(tx, archive, store.photos)


def merge_archive(
    store: Store, archive: Archive, who: str, progress: Progress
) -> tuple[MergePlan, str | None]:
    """Bring in what is new, as one change; returns the plan it followed and the change.

    A folder that holds nothing yet takes the archive over whole, log and all: then there is no change.

    Raises
    ------
    ArchiveRefused
        The archive is not whole or does not fit; nothing was changed.
    """
    check_schema(archive)
    with store.looking() as tx:
        untouched = is_untouched(tx)
    if untouched:
        import_everything(store, archive, progress)
        return MergePlan(), None
    verify_all(archive, progress)
    with refusing_odd_rows(archive):
        check_rows(archive)
        keep_files(store, archive, progress)
        with store.writing() as tx:
            plan = plan_merge(tx, archive, store.photos)
            return plan, None if plan.brings_nothing else _put_in(tx, archive, plan, who)


def _put_in(tx: sa.Connection, archive: Archive, plan: MergePlan, who: str) -> str:
    new_photos, new_readings = set(plan.new_photos), set(plan.new_readings)
    put_rows(tx, tables.photo, (row for row in archive.rows("photo") if row["sha256"] in new_photos))
    put_rows(tx, tables.motif, _new_motifs(tx, archive, plan))
    readings = (row for row in archive.rows("reading") if row["id"] in new_readings)
    put_rows(tx, tables.reading, map(check_content, readings))
    put_rows(tx, tables.vector, _renumber(tx, archive, new_readings))
    items_before = _put_items(tx, plan)
    draft = Draft(tx, who)
    for row in plan.new_records:
        draft.put(read_record(row["kind"], row["id"], row["body"]))
    before = draft.write()
    name = f"{ledger.REGISTER}merge archive"
    return ledger.log_change(tx, who, name, None, None, None, before, items_before)


def _put_items(tx: sa.Connection, plan: MergePlan) -> dict[str, Row | None]:
    """Put the new items in; one that was removed here is there again. Returns how each was before."""
    rows = [row | {"motif_id": plan.motifs[row["motif_id"]]} for row in plan.new_items]
    before = {row["id"]: snapshot(find_item(tx, row["id"])) for row in rows}
    put_rows(tx, tables.gallery_item, (row for row in rows if before[row["id"]] is None))
    for row in rows:
        if before[row["id"]] is not None:
            update_item(tx, row["id"], **{name: row.get(name) for name in KEPT_IN_LOG})
    return before


def _new_motifs(tx: sa.Connection, archive: Archive, plan: MergePlan) -> list[Row]:
    known = set(tx.execute(sa.select(tables.motif.c.id)).scalars())
    rows = [row for row in archive.rows("motif") if plan.motifs[row["id"]] == row["id"]]
    return [row for row in rows if row["id"] not in known]


def _renumber(tx: sa.Connection, archive: Archive, new_readings: set[str]) -> Iterator[Row]:
    """Vectors get numbers of this store."""
    last = tx.execute(sa.select(sa.func.coalesce(sa.func.max(tables.vector.c.id), 0))).scalar_one()
    number = int(last)
    for row in archive.rows("vector"):
        if row["reading_id"] in new_readings:
            number += 1
            yield row | {"id": number}


def say_plan(plan: MergePlan) -> list[str]:
    """The plan in sentences for a person."""
    said = [
        f"{plan.same_photos} photos are here already, {len(plan.new_photos)} are new.",
        f"{len(plan.new_items)} gallery items and {len(plan.new_records)} register records come in.",
    ]
    said += [f"The same piece: {mine} here, {theirs} there." for mine, theirs in plan.same_pieces]
    said += [
        f"Piece {old} of theirs comes in as {new}: you have another {old}."
        for old, new in plan.renumbered.items()
    ]
    said += [
        f"Disagreement, {d.what}, {d.name}: {_short(d.mine)} here (kept), {_short(d.theirs)} there."
        for d in plan.disagreements
    ]
    said += [
        f"Nearly the same photo ({pair.similarity:.2f}): {pair.mine} here ({pair.my_motif or 'no motif'}), "
        f"{pair.theirs} there ({pair.their_motif or 'no motif'})."
        for pair in plan.near
    ]
    said += [
        f"Perhaps one motif: {a.theirs!r} there, {a.mine!r} here ({a.photos} photos); add an alias if so."
        for a in plan.aliases
    ]
    return said


def _short(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False)[:80]
