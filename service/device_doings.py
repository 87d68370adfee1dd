"""What a paired device did: its changes in the log, told in words, and the photos it sent last."""

from __future__ import annotations

from typing import Any

import sqlalchemy as sa

from service import tables
from service.devices import device_use
from service.store import Store

LATEST = 3
WORDS = {
    "add": "added a photo to the gallery",
    "confirm": "confirmed a reading",
    "correct": "corrected a gallery photo",
    "delete": "took a photo out of the gallery",
    "undo": "took a change back",
}


def tell_doings(store: Store, device: dict[str, Any]) -> dict[str, Any]:
    """``changes``: how many since it was paired; ``latest``: the newest, at most three, ``at`` and ``said``;
    ``sent``: photos of the last day on which it sent some, and that ``day``, or None.

    The log names devices by their names, which are unique among those let in at a time.
    """
    change = tables.change
    mine = sa.and_(change.c.who == device["name"], change.c.at >= device["paired_at"])
    newest = sa.select(change.c.at, change.c.action).where(mine).order_by(change.c.seq.desc()).limit(LATEST)
    use = sa.select(device_use.c.photos, device_use.c.day).where(device_use.c.device_id == device["id"])
    with store.looking() as tx:
        count = tx.execute(sa.select(sa.func.count()).select_from(change).where(mine)).scalar_one()
        latest = [{"at": row.at, "said": say_action(row.action)} for row in tx.execute(newest)]
        sent = tx.execute(use.order_by(device_use.c.day.desc()).limit(1)).first()
    return {
        "changes": count,
        "latest": latest,
        "sent": {"photos": sent.photos, "day": sent.day} if sent else None,
    }


def say_action(action: str) -> str:
    """A change in words."""
    if action in WORDS:
        return WORDS[action]
    return (
        f"changed the register ({action.removeprefix('register ')})"
        if action.startswith("register ")
        else action
    )
