"""Calendar days of any year, before 1 and past 9999 too, as plain ``(year, month, day)`` tuples.

The standard library's dates stop at the years 1 and 9999, which EDTF does not. All days are of the
proleptic Gregorian calendar, as ISO 8601 counts them; the year 0 exists.
"""

from __future__ import annotations

from dataclasses import dataclass

Day = tuple[int, int, int]
MONTH_NAMES = (
    "January",
    "February",
    "March",
    "April",
    "May",
    "June",
    "July",
    "August",
    "September",
    "October",
    "November",
    "December",
)
_LENGTHS = (31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31)


@dataclass(frozen=True, order=True)
class Span:
    """Days from ``earliest`` to ``latest``, both included; None where that side has no bound."""

    earliest: Day | None
    latest: Day | None

    @property
    def is_empty(self) -> bool:
        """No day lies in it."""
        return self.earliest is not None and self.latest is not None and self.earliest > self.latest

    @property
    def first_year(self) -> int | None:
        """Year of its first day."""
        return None if self.earliest is None else self.earliest[0]

    @property
    def last_year(self) -> int | None:
        """Year of its last day."""
        return None if self.latest is None else self.latest[0]

    def as_json(self) -> dict[str, str | None]:
        """Both ends as EDTF days, None where open."""
        return {
            "earliest": None if self.earliest is None else write_day(self.earliest),
            "latest": None if self.latest is None else write_day(self.latest),
        }


EVER = Span(None, None)


def count_days_of_month(year: int, month: int) -> int:
    """28 to 31."""
    leap = year % 4 == 0 and (year % 100 != 0 or year % 400 == 0)
    return 29 if month == 2 and leap else _LENGTHS[month - 1]


def shift_months(day: Day, months: int) -> Day:
    """The same day of another month, or that month's last."""
    year, month0 = divmod(day[0] * 12 + day[1] - 1 + months, 12)
    return year, month0 + 1, min(day[2], count_days_of_month(year, month0 + 1))


def shift_days(day: Day, days: int) -> Day:
    """So many days later, or earlier where negative; meant for a few weeks."""
    year, month, wanted = day[0], day[1], day[2] + days
    while wanted < 1:
        year, month, _ = shift_months((year, month, 1), -1)
        wanted += count_days_of_month(year, month)
    while wanted > count_days_of_month(year, month):
        wanted -= count_days_of_month(year, month)
        year, month, _ = shift_months((year, month, 1), 1)
    return year, month, wanted


def intersect_spans(one: Span, other: Span) -> Span:
    """The days in both; ``is_empty`` where there are none."""
    earliest = max((d for d in (one.earliest, other.earliest) if d is not None), default=None)
    latest = min((d for d in (one.latest, other.latest) if d is not None), default=None)
    return Span(earliest, latest)


def join_spans(spans: tuple[Span, ...]) -> tuple[Span, ...]:
    """The same days as spans in order that neither overlap nor touch."""
    joined: list[Span] = []
    for span in sorted(spans, key=_start_key):
        last = joined[-1] if joined else None
        if last is None or not _touches(last, span):
            joined.append(span)
        elif last.latest is not None and (span.latest is None or span.latest > last.latest):
            joined[-1] = Span(last.earliest, span.latest)
    return tuple(joined)


def _start_key(span: Span) -> tuple[bool, Day]:
    return span.earliest is not None, span.earliest or (0, 0, 0)


def _touches(last: Span, span: Span) -> bool:
    """The second, which starts no earlier, begins at most one day after the first ends."""
    return last.latest is None or span.earliest is None or span.earliest <= shift_days(last.latest, 1)


def write_year(year: int) -> str:
    """A year as EDTF writes it: four digits, or a leading Y past them."""
    if abs(year) > 9999:
        return f"Y{year}"
    return f"-{-year:04d}" if year < 0 else f"{year:04d}"


def write_day(day: Day) -> str:
    """A day as EDTF; a year past four digits stands alone, since EDTF gives it no months."""
    year = write_year(day[0])
    return year if year.startswith("Y") else f"{year}-{day[1]:02d}-{day[2]:02d}"
