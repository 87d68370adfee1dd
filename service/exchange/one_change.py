"""Many records that come in together: each part stands or falls for itself, all is logged as one change."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

import sqlalchemy as sa

from service import ledger
from service.register.draft import Draft
from service.register.shelf import State


class OneChange:
    """Parts are written as they come, so that later ones see them; ``log`` makes them one change."""

    def __init__(self, tx: sa.Connection, who: str) -> None:
        self.tx = tx
        self._who = who
        self._before: dict[str, State | None] = {}

    @contextmanager
    def part(self) -> Iterator[Draft]:
        """A draft that is written at the end, or leaves nothing behind where it fails."""
        with self.tx.begin_nested():
            draft = Draft(self.tx, self._who)
            yield draft
            written = draft.write()
        for record_id, state in written.items():
            self._before.setdefault(record_id, state)

    def log(self, action: str) -> str | None:
        """Log what was written; the change's id, or None where nothing was."""
        if not self._before:
            return None
        return ledger.log_change(self.tx, self._who, ledger.REGISTER + action, None, None, None, self._before)
