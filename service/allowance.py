"""How much of something a caller may have: a bucket that refills steadily, one for each name."""

from __future__ import annotations

import math
import threading
import time
from collections import OrderedDict
from collections.abc import Callable

MOST_NAMES = 4096  # buckets kept; the longest unused goes first, so that memory stays bounded


class Allowance:
    """``most`` at once, then ``per_s`` a second, for each name. Safe to share between threads."""

    def __init__(self, most: float, per_s: float, clock: Callable[[], float] = time.monotonic) -> None:
        self._most, self._per_s, self._clock = most, per_s, clock
        self._left: OrderedDict[str, tuple[float, float]] = OrderedDict()
        self._lock = threading.Lock()

    def take(self, name: str, amount: float = 1.0) -> int:
        """Take ``amount``; 0 where there was enough, else the whole seconds until there will be."""
        with self._lock:
            now = self._clock()
            left, since = self._left.pop(name, (self._most, now))
            left = min(self._most, left + (now - since) * self._per_s)
            enough = left >= amount
            self._left[name] = (left - amount if enough else left, now)
            if len(self._left) > MOST_NAMES:
                self._left.popitem(last=False)
            return 0 if enough else max(1, math.ceil((amount - left) / self._per_s))
