"""One change to the register in the making: what it writes and removes is checked and logged as one."""

from __future__ import annotations

import sqlalchemy as sa

from service import ledger
from service.register.forms import kind_of, record_body
from service.register.records import Record
from service.register.shelf import State, find_states, names_of
from service.register.writing import put_states


class Draft:
    """Collects records; ``finish`` writes them. Until then nothing is stored."""

    def __init__(self, tx: sa.Connection, who: str) -> None:
        self.tx = tx
        self._who = who
        self._wanted: dict[str, State] = {}
        self._dropped: set[str] = set()

    def put(self, record: Record) -> None:
        """Add a record, or give one that exists these values."""
        self._dropped.discard(record.id)
        self._wanted[record.id] = {"kind": kind_of(record), "body": record_body(record), "present": True}

    def find_put(self, kind: str, key: str) -> str | None:
        """The id of a record put here under this folded name, or None."""
        wanted = self._wanted.items()
        return next((i for i, s in wanted if s["kind"] == kind and key in names_of(kind, s["body"])), None)

    def drop(self, record_id: str) -> None:
        """Remove a record."""
        self._wanted.pop(record_id, None)
        self._dropped.add(record_id)

    def finish(
        self, action: str, item_id: str | None = None, item_before: dict[str, object] | None = None
    ) -> str | None:
        """Write it all and log it as one change; its id, or None where nothing would change.

        Raises
        ------
        RecordError
            Naming everything that cannot be as asked.
        """
        records_before = self.write()
        if not records_before and item_id is None:
            return None
        name = ledger.REGISTER + action
        return ledger.log_change(self.tx, self._who, name, item_id, item_before, None, records_before)

    def write(self) -> dict[str, State | None]:
        """Write it all without logging it; returns what was there before, for whoever logs.

        Raises
        ------
        RecordError
            Naming everything that cannot be as asked.
        """
        before = find_states(self.tx, {*self._wanted, *self._dropped})
        wanted = {**self._wanted}
        for record_id in self._dropped:
            state = before[record_id]
            if state is not None:
                wanted[record_id] = {**state, "present": False}
        wanted = {i: state for i, state in wanted.items() if state != before[i]}
        if wanted:
            put_states(self.tx, wanted)
        return {i: before[i] for i in wanted}
