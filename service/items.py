"""Gallery items and motifs: the store's SQL about what a person has labelled."""

from __future__ import annotations

import hashlib
import re
import secrets
import unicodedata
from typing import Any

import sqlalchemy as sa

from service import tables
from service.heads import find_head
from service.kept import PackedGallery
from service.store import now

LABELS = ("variant", "metal", "state", "maker", "line", "decoration_number", "piece", "note")
KEPT_IN_LOG = ("motif_id", *LABELS, "removed_at")

item = tables.gallery_item
_item_columns = (item, tables.motif.c.name.label("motif"))
_items = sa.select(*_item_columns).select_from(sa.join(item, tables.motif))


def new_id() -> str:
    """A random identifier that cannot be guessed or made to collide."""
    return secrets.token_hex(8)


def fold(name: str) -> str:
    """One spelling for matching: compatibility forms, case and spaces evened out."""
    return " ".join(unicodedata.normalize("NFKC", name).casefold().split())


def find_motif(tx: sa.Connection, name: str) -> str:
    """The motif's id, made on its first use; its own spelling is kept for showing."""
    key = fold(name)
    known = tx.execute(sa.select(tables.motif.c.id).where(tables.motif.c.key == key)).scalar()
    if known is not None:
        return str(known)
    slug = re.sub(r"[^a-z0-9]+", "-", key).strip("-")[:40]
    motif_id = slug or "motif"
    if motif_id.replace("-", " ") != key or _motif_id_taken(tx, motif_id):
        motif_id = f"{motif_id}-{hashlib.sha256(key.encode()).hexdigest()[:8]}"
    tx.execute(
        sa.insert(tables.motif).values(id=motif_id, name=" ".join(name.split()), key=key, added_at=now())
    )
    return motif_id


def _motif_id_taken(tx: sa.Connection, motif_id: str) -> bool:
    return tx.execute(sa.select(tables.motif.c.id).where(tables.motif.c.id == motif_id)).first() is not None


def item_json(row: sa.Row[Any]) -> dict[str, Any]:
    """The public form of a gallery item."""
    values = dict(row._mapping)
    names = ("id", "reading_id", "motif", "motif_id", *LABELS, "matchable", "reason", "added_at")
    return {name: values[name] for name in names}


def find_item(tx: sa.Connection, item_id: str) -> sa.Row[Any] | None:
    """The item, removed or not."""
    return tx.execute(_items.where(item.c.id == item_id)).first()


def find_item_of_reading(tx: sa.Connection, reading_id: str) -> sa.Row[Any] | None:
    """The item a reading was confirmed as, removed or not."""
    return tx.execute(_items.where(item.c.reading_id == reading_id)).first()


def find_same_item(
    tx: sa.Connection, sha256: str, motif_id: str, labels: dict[str, Any]
) -> sa.Row[Any] | None:
    """A present item of the very same photo with the very same labels."""
    same = [
        item.c[name].is_(None) if labels[name] is None else item.c[name] == labels[name] for name in LABELS
    ]
    joined = sa.join(sa.join(item, tables.motif), tables.reading, item.c.reading_id == tables.reading.c.id)
    wanted = (
        sa.select(*_item_columns)
        .select_from(joined)
        .where(
            tables.reading.c.photo_sha256 == sha256,
            item.c.motif_id == motif_id,
            item.c.removed_at.is_(None),
            *same,
        )
    )
    return tx.execute(wanted.limit(1)).first()


def insert_item(
    tx: sa.Connection, reading_id: str, motif: str, labels: dict[str, Any], reason: str | None
) -> str:
    """Add an item; ``reason`` says why it cannot be matched, None where it can."""
    item_id = new_id()
    tx.execute(
        sa.insert(item).values(
            id=item_id,
            reading_id=reading_id,
            motif_id=find_motif(tx, motif),
            matchable=reason is None,
            reason=reason,
            added_at=now(),
            **{name: labels.get(name) for name in LABELS},
        )
    )
    return item_id


def update_item(tx: sa.Connection, item_id: str, **values: Any) -> None:
    """Change columns of an item."""
    tx.execute(sa.update(item).where(item.c.id == item_id).values(**values))


def list_items(
    tx: sa.Connection, motif: str | None, metal: str | None, offset: int, limit: int
) -> tuple[list[sa.Row[Any]], int]:
    """Present items, newest first, and how many there are in all."""
    present: list[sa.ColumnElement[bool]] = [item.c.removed_at.is_(None)]
    if motif is not None:
        key = fold(motif)
        present.append(sa.or_(tables.motif.c.key == key, tables.motif.c.id == key))
    if metal is not None:
        present.append(item.c.metal == metal)
    wanted = _items.where(*present)
    total = tx.execute(sa.select(sa.func.count()).select_from(wanted.subquery())).scalar_one()
    order = (item.c.added_at.desc(), item.c.id)
    return list(tx.execute(wanted.order_by(*order).offset(offset).limit(limit))), int(total)


def count_gallery(tx: sa.Connection) -> dict[str, int]:
    """Present items, those that can be matched, and their motifs."""
    row = tx.execute(
        sa.select(
            sa.func.count(),
            sa.func.coalesce(sa.func.sum(sa.cast(item.c.matchable, sa.Integer)), 0),
            sa.func.count(sa.distinct(item.c.motif_id)),
        ).where(item.c.removed_at.is_(None))
    ).one()
    return {"items": int(row[0]), "matchable": int(row[1]), "motifs": int(row[2])}


def list_motifs(tx: sa.Connection) -> list[str]:
    """Names of the motifs in use, in alphabetical order."""
    used = sa.select(item.c.motif_id).where(item.c.removed_at.is_(None))
    wanted = sa.select(tables.motif.c.name).where(tables.motif.c.id.in_(used))
    return [str(name) for name in tx.execute(wanted.order_by(tables.motif.c.key)).scalars()]


def gallery_version(tx: sa.Connection) -> int:
    """Grows with every change to the gallery; changes to the register alone leave it as it is."""
    change = tables.change
    several = change.c.after != "null"  # items that came in, or went, together with records
    touches = sa.or_(change.c.item_id.is_not(None), change.c.records_after.is_(None), several)
    return int(
        tx.execute(sa.select(sa.func.coalesce(sa.func.max(change.c.seq), 0)).where(touches)).scalar_one()
    )


def pack_gallery(tx: sa.Connection, recipe_id: str) -> PackedGallery:
    """All vectors of present items made by this recipe, in one block."""
    vector = tables.vector
    joined = sa.join(sa.join(vector, item, vector.c.reading_id == item.c.reading_id), tables.motif)
    wanted = (
        sa.select(item.c.id, item.c.motif_id, tables.motif.c.name, item.c.variant, vector.c.numbers)
        .select_from(joined)
        .where(vector.c.recipe_id == recipe_id, item.c.removed_at.is_(None))
        .order_by(item.c.added_at, item.c.id, vector.c.ordinal)
    )
    positions: dict[tuple[str, str, str, str | None], int] = {}
    photo_index, numbers = [], []
    for item_id, motif_id, motif, variant, row_numbers in tx.execute(wanted):
        photo_index.append(positions.setdefault((item_id, motif_id, motif, variant), len(positions)))
        numbers.append(row_numbers)
    return PackedGallery(
        gallery_version(tx),
        recipe_id,
        b"".join(numbers),
        tuple(photo_index),
        tuple(positions),
        find_head(tx, recipe_id),
    )


def find_main_recipe(tx: sa.Connection) -> str | None:
    """The recipe that made most vectors of present items, the one they can be compared by."""
    vector = tables.vector
    joined = sa.join(vector, item, vector.c.reading_id == item.c.reading_id)
    wanted = sa.select(vector.c.recipe_id).select_from(joined).where(item.c.removed_at.is_(None))
    most = wanted.group_by(vector.c.recipe_id).order_by(sa.func.count().desc(), vector.c.recipe_id)
    return tx.execute(most.limit(1)).scalar()


def find_stale_readings(tx: sa.Connection, recipe_id: str) -> list[str]:
    """Readings of present items whose vectors another recipe made."""
    reading = tables.reading
    other = sa.or_(reading.c.recipe_id.is_(None), reading.c.recipe_id != recipe_id)
    wanted = sa.select(reading.c.id).select_from(sa.join(reading, item, reading.c.id == item.c.reading_id))
    return [str(i) for i in tx.execute(wanted.where(other, item.c.removed_at.is_(None))).scalars()]


def find_gallery_readings(tx: sa.Connection) -> list[str]:
    """Readings of present items."""
    wanted = sa.select(item.c.reading_id).where(item.c.removed_at.is_(None))
    return [str(reading_id) for reading_id in tx.execute(wanted).scalars()]


def find_readings_without_strip(tx: sa.Connection) -> list[str]:
    """Readings of present items whose strip is not at hand."""
    reading = tables.reading
    wanted = sa.select(reading.c.id).select_from(sa.join(reading, item, reading.c.id == item.c.reading_id))
    missing = wanted.where(reading.c.strip_file.is_(None), item.c.removed_at.is_(None))
    return [str(reading_id) for reading_id in tx.execute(missing).scalars()]


def snapshot(row: sa.Row[Any] | None) -> dict[str, Any] | None:
    """What the log keeps of an item: its labels and whether it is present."""
    if row is None:
        return None
    values = dict(row._mapping)
    kept = {name: values[name] for name in KEPT_IN_LOG if name != "removed_at"}
    return kept | {"present": values["removed_at"] is None}
