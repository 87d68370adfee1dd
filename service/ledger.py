"""Gallery items, the append-only change log and kept answers: the second half of the store's SQL."""

from __future__ import annotations

import hashlib
import json
import re
import secrets
import unicodedata
from typing import Any

import sqlalchemy as sa

from service import tables
from service.errors import KeyReused, NothingToUndo
from service.store import PackedGallery, now

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
    """Grows with every change to the gallery."""
    return int(tx.execute(sa.select(sa.func.coalesce(sa.func.max(tables.change.c.seq), 0))).scalar_one())


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
        gallery_version(tx), recipe_id, b"".join(numbers), tuple(photo_index), tuple(positions)
    )


def find_stale_readings(tx: sa.Connection, recipe_id: str) -> list[str]:
    """Readings of present items whose vectors another recipe made."""
    reading = tables.reading
    other = sa.or_(reading.c.recipe_id.is_(None), reading.c.recipe_id != recipe_id)
    wanted = sa.select(reading.c.id).select_from(sa.join(reading, item, reading.c.id == item.c.reading_id))
    return [str(i) for i in tx.execute(wanted.where(other, item.c.removed_at.is_(None))).scalars()]


# The change log.


def snapshot(row: sa.Row[Any] | None) -> dict[str, Any] | None:
    """What the log keeps of an item: its labels and whether it is present."""
    if row is None:
        return None
    values = dict(row._mapping)
    kept = {name: values[name] for name in KEPT_IN_LOG if name != "removed_at"}
    return kept | {"present": values["removed_at"] is None}


def log_change(
    tx: sa.Connection,
    who: str,
    action: str,
    item_id: str | None,
    before: dict[str, Any] | None,
    undoes: str | None = None,
) -> str:
    """Append one line; the state after is read from the item itself."""
    after = snapshot(find_item(tx, item_id)) if item_id is not None else None
    change_id = new_id()
    tx.execute(
        sa.insert(tables.change).values(
            id=change_id,
            at=now(),
            who=who,
            action=action,
            item_id=item_id,
            before=json.dumps(before),
            after=json.dumps(after),
            undoes=undoes,
        )
    )
    return change_id


UNDOABLE = ("add", "confirm", "correct", "delete")


def undo(tx: sa.Connection, change_id: str | None, who: str) -> dict[str, Any]:
    """Put an item back to what it was before one change: the named one, else the last not yet undone.

    Raises
    ------
    NothingToUndo
        There is none, it was undone already, or a later change to the same item stands in the way.
    """
    row = _find_undoable(tx, change_id)
    current = snapshot(find_item(tx, row.item_id))
    if current != json.loads(row.after):
        raise NothingToUndo(
            f"Change {row.id} cannot be undone: the same gallery item was changed again since. "
            "Undo the later change first."
        )
    before = json.loads(row.before)
    if before is None or not before["present"]:
        update_item(tx, row.item_id, removed_at=now())
    if before is not None:
        labels = {name: value for name, value in before.items() if name != "present"}
        removed = None if before["present"] else now()
        update_item(tx, row.item_id, **labels, removed_at=removed)
    undo_id = log_change(tx, who, "undo", row.item_id, current, undoes=row.id)
    final = find_item(tx, row.item_id)
    assert final is not None
    present = final._mapping["removed_at"] is None
    return {
        "change": undo_id,
        "undone": {"change": row.id, "action": row.action, "at": row.at},
        "in_gallery": present,
        "item": item_json(final),
    }


def _find_undoable(tx: sa.Connection, change_id: str | None) -> sa.Row[Any]:
    change = tables.change
    undone = sa.select(change.c.undoes).where(change.c.undoes.is_not(None))
    if change_id is None:
        wanted = sa.select(change).where(change.c.action.in_(UNDOABLE), change.c.id.not_in(undone))
        row = tx.execute(wanted.order_by(change.c.seq.desc()).limit(1)).first()
        if row is None:
            raise NothingToUndo("There is no change left to undo.")
        return row
    row = tx.execute(sa.select(change).where(change.c.id == change_id)).first()
    if row is None:
        raise NothingToUndo(f"There is no change {change_id!r}: leave it out to undo the last one.")
    if row.action not in UNDOABLE:
        raise NothingToUndo(f"A change of kind {row.action!r} cannot be undone.")
    if tx.execute(sa.select(change.c.id).where(change.c.undoes == change_id)).first() is not None:
        raise NothingToUndo(f"Change {change_id} was undone already.")
    return row


# Kept answers: the same key and body give the same answer once.


def find_answer(tx: sa.Connection, key: str, fingerprint: str) -> dict[str, Any] | None:
    """The answer kept under this key.

    Raises
    ------
    KeyReused
        The key came with another request before.
    """
    answer = tables.answer
    row = tx.execute(sa.select(answer).where(answer.c.key == key)).first()
    if row is None:
        return None
    if row.fingerprint != fingerprint:
        raise KeyReused(
            "This Idempotency-Key was used before with another request: send a new key with a new request."
        )
    body: dict[str, Any] = json.loads(row.body)
    return body


def keep_answer(tx: sa.Connection, key: str, fingerprint: str, body: dict[str, Any]) -> None:
    """Keep the answer in the transaction that makes it true."""
    tx.execute(
        sa.insert(tables.answer).values(key=key, fingerprint=fingerprint, body=json.dumps(body), at=now())
    )
