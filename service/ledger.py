"""The append-only change log with undo, and kept answers: the store's SQL about what has happened."""

from __future__ import annotations

import json
from typing import Any

import sqlalchemy as sa

from service import tables
from service.errors import KeyReused, NothingToUndo
from service.items import find_item, item_json, new_id, snapshot, update_item
from service.store import now


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
