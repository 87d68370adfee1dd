"""Views over the whole register: made once for each state of it, then shown from memory."""

from __future__ import annotations

import json
import threading
from collections.abc import Callable
from typing import Any, TypeVar

import sqlalchemy as sa

from service.register.shelf import load_lists
from service.register.sightings import Lists, Sighting
from service.register.tables import link, sighting
from service.register.tables import record as table
from service.store import Store
from service.tables import change

DIAMETER = "diameter"  # the name of the measurement that lids and saucers are matched by
Made = TypeVar("Made")
COLUMNS = [sighting.c[name] for name in Sighting.__dataclass_fields__]


def find_version(tx: sa.Connection) -> int:
    """Grows with every change to the register."""
    wanted = sa.select(sa.func.max(change.c.seq)).where(change.c.records_after.is_not(None))
    return int(tx.execute(wanted).scalar() or 0)


class Overview:
    """All sightings and lists as they stand, and what was made of them since they last changed."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self._guard = threading.RLock()  # what is made may be made of what was made
        self._version = -1
        self._stamp = -1
        self._of_piece: dict[str, list[Sighting]] = {}
        self._sightings: tuple[Sighting, ...] = ()
        self._lists = Lists()
        self._made: dict[Any, Any] = {}

    def make(self, name: Any, maker: Callable[[tuple[Sighting, ...], Lists], Made]) -> Made:
        """What ``maker`` makes of the register as it is now; the same name gives the same meanwhile."""
        with self._guard:
            self._bring_up()
            if name not in self._made:
                self._made[name] = maker(self._sightings, self._lists)
            made: Made = self._made[name]
            return made

    def _bring_up(self) -> None:
        with self._store.looking() as tx:
            version = find_version(tx)
            if version == self._version:
                return
            self._take(tx)
            total = tx.execute(sa.select(sa.func.count()).select_from(sighting)).scalar_one()
            if total != sum(map(len, self._of_piece.values())):  # pieces have gone
                self._of_piece, self._stamp = {}, -1
                self._take(tx)
            self._lists = load_lists(tx)
        ordered = sorted(self._of_piece)
        self._sightings = tuple(seen for piece_id in ordered for seen in self._of_piece[piece_id])
        self._version, self._made = version, {}

    def _take(self, tx: sa.Connection) -> None:
        """Take over what was written since the last look; a piece's sightings are written together."""
        wanted = sa.select(*COLUMNS, sighting.c.stamp).where(sighting.c.stamp >= self._stamp)
        new: dict[str, list[Sighting]] = {}
        for *columns, stamp in tx.execute(wanted.order_by(sighting.c.piece_id, sighting.c.ordinal)):
            seen = Sighting(*columns)
            new.setdefault(seen.piece_id, []).append(seen)
            self._stamp = max(self._stamp, stamp)
        self._of_piece |= new


def find_pairs(tx: sa.Connection) -> dict[str, tuple[str, ...]]:
    """For a piece's id the ids of pieces that it is recorded to go with."""
    found: dict[str, tuple[str, ...]] = {}
    wanted = sa.select(link.c.from_id, link.c.to_id).where(link.c.role == "goes_with")
    for one, other in tx.execute(wanted.order_by(link.c.from_id, link.c.to_id)):
        found[one] = (*found.get(one, ()), other)
    return found


def find_diameters_mm(tx: sa.Connection) -> dict[str, float]:
    """For a piece's id its measured diameter, where there is one."""
    measured = (
        table.c.kind == "piece",
        table.c.removed_at.is_(None),
        table.c.body.contains('"measurements"'),
    )
    found = {}
    for piece_id, body in tx.execute(sa.select(table.c.id, table.c.body).where(*measured)):
        for size in json.loads(body)["measurements"]:
            if size["what"].casefold() == DIAMETER:
                found[piece_id] = float(size["mm"])
    return found
