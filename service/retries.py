"""The same request twice gives the same answer once."""

from __future__ import annotations

import hashlib
import threading
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import sqlalchemy as sa

from service import ledger
from service.store import Store


@dataclass(frozen=True)
class Retry:
    """An Idempotency-Key with a fingerprint of the request it came with."""

    key: str
    fingerprint: str


def fingerprint(*parts: str | bytes | None) -> str:
    """One hash of everything that makes two requests the same."""
    joined = hashlib.sha256()
    for part in parts:
        data = b"\0none" if part is None else part.encode() if isinstance(part, str) else part
        joined.update(len(data).to_bytes(8, "big") + data)
    return joined.hexdigest()


def retry_of(key: str | None, *parts: str | bytes | None) -> Retry | None:
    """The retry that a request with this key would be; None without a key."""
    return None if key is None else Retry(key, fingerprint(*parts))


class Retries:
    """Kept answers of one store, and a queue for requests that come with the same key at once."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self._guard = threading.Lock()
        self._locks: dict[str, tuple[threading.Lock, int]] = {}

    def once(self, retry: Retry | None, act: Callable[[], dict[str, Any]]) -> dict[str, Any]:
        """Do it, unless this very request was answered before; the same key waits for the first.

        Raises
        ------
        KeyReused
            The key came with another request before.
        """
        if retry is None:
            return act()
        with _SharedLock(self._locks, self._guard, retry.key):
            kept = self._find(retry)
            if kept is not None:
                return kept
            try:
                return act()
            except sa.exc.IntegrityError:  # another process answered the same key meanwhile
                kept = self._find(retry)
                if kept is None:
                    raise
                return kept

    def _find(self, retry: Retry) -> dict[str, Any] | None:
        with self._store.looking() as tx:
            return ledger.find_answer(tx, retry.key, retry.fingerprint)


class _SharedLock:
    """A lock by name that is forgotten when nobody holds or awaits it."""

    def __init__(
        self, locks: dict[str, tuple[threading.Lock, int]], guard: threading.Lock, name: str
    ) -> None:
        self._locks, self._guard, self._name = locks, guard, name

    def __enter__(self) -> None:
        with self._guard:
            lock, users = self._locks.get(self._name, (threading.Lock(), 0))
            self._locks[self._name] = (lock, users + 1)
        lock.acquire()

    def __exit__(self, *_: object) -> None:
        with self._guard:
            lock, users = self._locks[self._name]
            if users == 1:
                del self._locks[self._name]
            else:
                self._locks[self._name] = (lock, users - 1)
        lock.release()
