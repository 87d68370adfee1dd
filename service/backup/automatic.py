"""A backup a day while the server runs, without being asked."""

from __future__ import annotations

import contextlib
import sqlite3
import sys
import threading
from collections.abc import Callable, Iterable
from datetime import UTC, datetime, timedelta
from pathlib import Path

from service.backup.backups import Backup, Backups
from service.errors import ServiceError
from service.store import DATABASE_NAME

BETWEEN = timedelta(days=1)
LOOK_EVERY_S = 600.0
STARTED = 1  # the first line of every log: a folder that has no more holds nothing of a person's


def keep_backed_up(
    backups: Backups,
    stop: threading.Event,
    now: Callable[[], datetime] = lambda: datetime.now(UTC),
    others: Callable[[], Iterable[Backups]] = tuple,
) -> None:
    """Until told to stop: make a backup when the newest is a day old and something changed since.

    ``others`` names further places that are there now, asked at every look. What
    fails is said once on standard error; the next look tries again.
    """
    said = ""
    while True:
        try:
            for place in (backups, *others()):
                back_up_if_due(place, now())
            said = ""
        except (ServiceError, OSError, sqlite3.Error) as error:
            if str(error) != said:
                said = str(error)
                print(f"rimlight: no automatic backup: {said}", file=sys.stderr, flush=True)
        if stop.wait(LOOK_EVERY_S):
            return


def back_up_if_due(backups: Backups, now: datetime) -> Backup | None:
    """Make the day's backup if it is due, and thin out old ones; None where nothing was to do."""
    made = backups.list_backups()
    if made and abs(now - made[-1].made_at) < BETWEEN:  # a clock set back must not stop backups for long
        return None
    newest = _last_change(made[-1].path) if made else STARTED
    if newest is not None and newest == _last_change(backups.data_folder / DATABASE_NAME):
        return None
    backup = backups.make_backup(now, _unseen)
    backups.thin_out()
    return backup


def _last_change(database: Path) -> int | None:
    """Number of the last logged change, or None where it cannot be read."""
    with contextlib.suppress(sqlite3.DatabaseError):
        uri = f"{database.absolute().as_uri()}?mode=ro"
        with contextlib.closing(sqlite3.connect(uri, uri=True)) as connection:
            return int(connection.execute("SELECT coalesce(max(seq), 0) FROM change").fetchone()[0])
    return None


def _unseen(steps: Iterable[str], _total: int, _what: str) -> Iterable[str]:
    return steps
