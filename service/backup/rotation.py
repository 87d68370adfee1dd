"""Which backups are kept as they grow old: the newest, then one a day, a week, a month."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime

NEWEST = 5
DAYS, WEEKS, MONTHS = 7, 5, 12


def choose_kept(times: Iterable[datetime]) -> set[datetime]:
    """The times of the backups to keep.

    The ``NEWEST`` stay, and the newest of each of the last ``DAYS`` days, ``WEEKS`` weeks and ``MONTHS``
    months that have one: a gallery that rests for a year keeps what it had.
    """
    newest_first = sorted(times, reverse=True)
    kept = set(newest_first[:NEWEST])
    rules = (
        (DAYS, lambda t: (t.year, t.month, t.day)),
        (WEEKS, lambda t: t.isocalendar()[:2]),
        (MONTHS, lambda t: (t.year, t.month)),
    )
    for most, period_of in rules:
        seen: set[tuple[int, ...]] = set()
        for time in newest_first:
            period = tuple(period_of(time))
            if period not in seen and len(seen) < most:
                seen.add(period)
                kept.add(time)
    return kept
