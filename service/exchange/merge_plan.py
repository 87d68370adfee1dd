"""What a merge of somebody else's archive would do: decided before anything is changed, shown to a person.

What is here stays as it is. What is identical is recognised (photos by their SHA-256, records by id or by
name); what is new comes in, also what was here once and was removed; where both say different things about
one photo, one piece or one name, it is listed and the own one stays.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import sqlalchemy as sa

from service import tables
from service.exchange.archive import Archive
from service.exchange.merge_facts import Disagreement, MergePlan, Row
from service.exchange.merge_near import find_near, propose_aliases
from service.exchange.merge_records import plan_records
from service.files import FileFolder
from service.items import LABELS, fold
from service.register import tables as register

COMPARED = ("motif", *(name for name in LABELS if name not in ("note", "piece")))


def plan_merge(tx: sa.Connection, archive: Archive, photos: FileFolder) -> MergePlan:
    """Compare a verified archive with the store; changes nothing."""
    plan = MergePlan()
    _plan_photos(tx, archive, plan)
    _plan_motifs(tx, archive, plan)
    _plan_items(tx, archive, plan)
    plan_records(tx, archive, plan)
    plan.near = find_near(tx, archive, set(plan.new_readings), _labels_of(tx, archive), photos)
    differing = {d.theirs: d.mine for d in plan.disagreements if d.name == "motif"}
    plan.aliases = propose_aliases(plan.near, differing)
    return plan


def _plan_photos(tx: sa.Connection, archive: Archive, plan: MergePlan) -> None:
    known = set(tx.execute(sa.select(tables.photo.c.sha256)).scalars())
    reading = tables.reading
    mine: dict[str, str] = {}
    joined = sa.join(reading, tables.gallery_item, isouter=True)
    wanted = sa.select(reading.c.photo_sha256, reading.c.id).select_from(joined)
    # The reading that a gallery item rests on speaks for its photo.
    for sha256, reading_id in tx.execute(
        wanted.order_by(tables.gallery_item.c.id.is_not(None), reading.c.made_at)
    ):
        mine[sha256] = reading_id
    for photo in archive.rows("photo"):
        if photo["sha256"] in known:
            plan.same_photos += 1
        else:
            plan.new_photos.append(photo["sha256"])
    ids = set(tx.execute(sa.select(reading.c.id)).scalars())
    for row in archive.rows("reading"):
        if row["photo_sha256"] in mine:
            plan.readings[row["id"]] = mine[row["photo_sha256"]]
        elif row["id"] not in ids:
            plan.new_readings.append(row["id"])


def _plan_motifs(tx: sa.Connection, archive: Archive, plan: MergePlan) -> None:
    """By name; else by a name that the own register has as an alias."""
    mine = {row.key: row.id for row in tx.execute(sa.select(tables.motif))}
    name = register.name
    named = sa.select(name.c.key, name.c.record_id).where(name.c.kind == "motif")
    known = set(mine.values())
    aliases = {key: motif_id for key, motif_id in tx.execute(named) if motif_id in known}
    for row in archive.rows("motif"):
        plan.motifs[row["id"]] = mine.get(row["key"]) or aliases.get(row["key"], row["id"])


def _plan_items(tx: sa.Connection, archive: Archive, plan: MergePlan) -> None:
    mine = {row["reading_id"]: row for row in _my_items(tx)}
    item = tables.gallery_item
    removed = {r: i for r, i in tx.execute(sa.select(item.c.reading_id, item.c.id)) if r not in mine}
    names = {row["id"]: row["name"] for row in archive.rows("motif")}
    known = {*plan.new_readings, *plan.readings.values()}
    for row in archive.rows("gallery_item"):
        if row.get("removed_at") is not None:
            continue
        reading_id = plan.readings.get(row["reading_id"], row["reading_id"])
        theirs = row | {"motif": names.get(row["motif_id"], row["motif_id"])}
        if reading_id in mine:
            plan.disagreements += _compare(f"photo {reading_id}", mine[reading_id], theirs)
        elif reading_id in known:
            # A reading has one item: one that was removed here is there again, as theirs says.
            plan.new_items.append(row | {"id": removed.get(reading_id, row["id"]), "reading_id": reading_id})
            mine[reading_id] = theirs


def _my_items(tx: sa.Connection) -> list[Row]:
    joined = sa.join(tables.gallery_item, tables.motif)
    wanted = sa.select(tables.gallery_item, tables.motif.c.name.label("motif")).select_from(joined)
    return [dict(row) for row in tx.execute(wanted).mappings() if row["removed_at"] is None]


def _compare(what: str, mine: Mapping[str, Any], theirs: Mapping[str, Any]) -> list[Disagreement]:
    """Fields that both fill in, with different values."""
    found = []
    for name in COMPARED:
        one, other = mine.get(name), theirs.get(name)
        if one is not None and other is not None and fold(str(one)) != fold(str(other)):
            found.append(Disagreement(what, name, one, other))
    return found


def _labels_of(tx: sa.Connection, archive: Archive) -> dict[str, str]:
    """Motif name of every labelled reading, ours and theirs."""
    names = {row["id"]: row["name"] for row in archive.rows("motif")}
    labels = {
        row["reading_id"]: names.get(row["motif_id"], row["motif_id"])
        for row in archive.rows("gallery_item")
        if row.get("removed_at") is None
    }
    return labels | {row["reading_id"]: row["motif"] for row in _my_items(tx)}
