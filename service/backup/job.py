"""One piece of work on the backups at a time, in a thread, with how far it is for whoever asks."""

from __future__ import annotations

import sqlite3
import threading
from collections.abc import Callable, Iterable, Iterator
from datetime import UTC, datetime
from typing import Any

from service.backup.backups import Backups
from service.errors import ServiceError

IDLE, RUNNING, DONE, FAILED = "idle", "running", "done", "failed"


class BackupJob:
    """Makes or verifies a backup beside the server's other work. Safe to share between threads."""

    def __init__(self, backups: Backups) -> None:
        self._backups = backups
        self._lock = threading.Lock()
        self._facts: dict[str, Any] = {"state": IDLE, "text": "", "done": 0, "total": 0}
        self._thread: threading.Thread | None = None

    def tell(self) -> dict[str, Any]:
        """``state``, a sentence ``text``, files ``done`` of ``total``."""
        with self._lock:
            return dict(self._facts)

    def make(self) -> dict[str, Any]:
        """Start a backup; while one piece of work goes on, that one is told instead."""
        return self._start(self._make, "Copying the database")

    def verify(self, name: str) -> dict[str, Any]:
        """Start looking through a backup, every byte of it.

        Raises
        ------
        NotFound
            There is no such backup.
        """
        backup = self._backups.find_backup(name)

        def verify() -> str:
            self._backups.verify(backup, self._count)
            return f"Backup {backup.name} is whole."

        return self._start(verify, "Checking the database")

    def wait(self) -> None:
        """Until the work that was started is over."""
        if self._thread is not None:
            self._thread.join()

    def _make(self) -> str:
        made = self._backups.make_backup(datetime.now(UTC), self._count, recheck=True)
        gone = self._backups.thin_out()
        old = f" {len(gone)} old ones went." if gone else ""
        return f"Backup {made.name} is made.{old}"

    def _start(self, work: Callable[[], str], text: str) -> dict[str, Any]:
        with self._lock:
            if self._facts["state"] != RUNNING:
                self._facts = {"state": RUNNING, "text": f"{text} …", "done": 0, "total": 0}
                self._thread = threading.Thread(target=self._run, args=(work,), daemon=True)
                self._thread.start()
            return dict(self._facts)

    def _run(self, work: Callable[[], str]) -> None:
        try:
            state, text = DONE, work()
        except (ServiceError, OSError, sqlite3.Error) as error:
            state, text = FAILED, str(error)
        with self._lock:
            self._facts |= {"state": state, "text": text}

    def _count(self, steps: Iterable[str], total: int, what: str) -> Iterator[str]:
        words = {"photos": "Copying photos", "strips": "Copying strips", "verifying": "Reading every file"}
        for number, step in enumerate(steps, 1):
            yield step
            with self._lock:
                self._facts |= {"text": f"{words.get(what, what)} …", "done": number, "total": total}
