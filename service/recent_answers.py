"""Answers that hold a secret: repeated for a retry like any other, but never written down."""

from __future__ import annotations

import threading
import time
from collections import OrderedDict
from collections.abc import Callable
from typing import Any

from service.errors import KeyReused
from service.retries import Retry

KEPT_S = 600.0  # as long as a code is valid
MOST_KEPT = 64


class RecentAnswers:
    """Kept in memory for ten minutes. Safe to share between threads."""

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._lock = threading.Lock()
        self._kept: OrderedDict[str, tuple[float, str, dict[str, Any]]] = OrderedDict()

    def once(self, retry: Retry | None, act: Callable[[], dict[str, Any]]) -> dict[str, Any]:
        """Do it, unless this very request was answered before; one after the other.

        Raises
        ------
        KeyReused
            The key came with another request before.
        """
        if retry is None:
            return act()
        with self._lock:
            until, fingerprint, answer = self._kept.get(retry.key, (0.0, "", {}))
            if until > self._clock():
                if fingerprint != retry.fingerprint:
                    raise KeyReused(
                        "This Idempotency-Key was used before with another request: send a new key with a "
                        "new request."
                    )
                return answer
            answer = act()
            self._kept[retry.key] = (self._clock() + KEPT_S, retry.fingerprint, answer)
            while len(self._kept) > MOST_KEPT:
                self._kept.popitem(last=False)
            return answer
