"""One date of EDTF, without its sets and runs: what is written, its bounds, and how sure it is.

References
----------
Library of Congress, Extended Date/Time Format (EDTF) Specification, 4 February 2019; ISO 8601-2:2019.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import product
from typing import Literal

from service.errors import LabelError
from service.register.days import (
    MONTH_NAMES,
    Day,
    Span,
    count_days_of_month,
    shift_days,
    shift_months,
    write_year,
)

# How wide "about" is. The standard leaves it open, so this is our own choice, said wherever it is used:
# 1935~ is taken as 1930 to 1940, a month or season as three months either way, a day as fifteen days.
CIRCA_YEARS = 5
CIRCA_MONTHS = 3
CIRCA_DAYS = 15
# A register of tableware needs four digits; more are read, but nobody may ask for a number without end.
MAX_YEAR_DIGITS = 12

Precision = Literal["year", "month", "day"]

_DATE = re.compile(
    r"(?P<before_year>[?~%]?)(?P<year>-?[0-9X]{4})(?:S(?P<significant>[0-9]{1,2}))?(?P<after_year>[?~%]?)"
    r"(?:-(?P<before_month>[?~%]?)(?P<month>[0-9X]{2})(?P<after_month>[?~%]?)"
    r"(?:-(?P<before_day>[?~%]?)(?P<day>[0-9X]{2})(?P<after_day>[?~%]?))?)?"
    r"(?P<time>T.*)?",
    re.ASCII,
)
_LONG_YEAR = re.compile(
    r"Y(?P<sign>-?)(?P<digits>[1-9][0-9]*)(?:E(?P<exponent>[0-9]{1,3}))?"
    r"(?:S(?P<significant>[0-9]{1,2}))?(?P<mark>[?~%]?)",
    re.ASCII,
)
_TIME = re.compile(
    r"T([01][0-9]|2[0-3]):[0-5][0-9]:[0-5][0-9](Z|[+-]([01][0-9]|2[0-3])(:[0-5][0-9])?)?", re.ASCII
)
# Codes 21 to 41 stand in the month's place: first month and how many months; ISO 8601-2:2019, 4.8.
# 21 to 24 leave the hemisphere open: read as the northern one, our own choice, months as meteorologists
# count them. A winter that a year's end cuts may be meant by either year: both are kept in.
_NORTH = {0: (3, 3), 1: (6, 3), 2: (9, 3), 3: (0, 15)}
_SOUTH = {0: (9, 3), 1: (0, 15), 2: (3, 3), 3: (6, 3)}
GROUPED_MONTHS: dict[int, tuple[int, int]] = (
    {21 + n: months for n, months in _NORTH.items()}
    | {25 + n: months for n, months in _NORTH.items()}
    | {29 + n: months for n, months in _SOUTH.items()}
    | {33 + n: (1 + 3 * n, 3) for n in range(4)}
    | {37 + n: (1 + 4 * n, 4) for n in range(3)}
    | {40 + n: (1 + 6 * n, 6) for n in range(2)}
)


class DateRefused(LabelError):
    """A text that is no EDTF date; ``hint`` is the EDTF that was probably meant, where one is known."""

    def __init__(self, message: str, hint: str | None = None) -> None:
        super().__init__(f"{message} Write {hint} instead." if hint else message)
        self.hint = hint


@dataclass(frozen=True)
class EdtfDate:
    """One date: ``written`` are its bounds to the letter, ``span`` the same widened where it says about."""

    written: Span
    span: Span
    precision: Precision
    uncertain: bool = False
    approximate: bool = False


def parse_date(text: str) -> EdtfDate:
    """Read one date, year, month, season or time of EDTF level 0 to 2.

    Raises
    ------
    DateRefused
        The text is no such date, or the date is impossible.
    """
    if (match := _LONG_YEAR.fullmatch(text)) is not None:
        return _read_long_year(match)
    match = _DATE.fullmatch(text)
    if match is None:
        raise DateRefused(f"“{text}” is not a date in EDTF, such as 1935, 1935-06, 1935~ or 193X.")
    part = match.groupdict()
    if part["time"] is not None:
        _check_time(text, part)
    if part["significant"] is not None:
        written = _round_to_digits(text, part)
    elif part["month"] is not None and part["month"].isdigit() and int(part["month"]) > 12:
        written = _bound_group(text, part)
    else:
        written = Span(_find_first(text, part, last=False), _find_first(text, part, last=True))
    return _qualify(written, part)


def _read_long_year(match: re.Match[str]) -> EdtfDate:
    digits, exponent = match["digits"], int(match["exponent"] or 0)
    if len(digits) + exponent > MAX_YEAR_DIGITS:
        raise DateRefused(f"A year may have {MAX_YEAR_DIGITS} digits at most.")
    year = int(match["sign"] + digits) * 10**exponent
    if abs(year) <= 9999:
        raise DateRefused("A leading Y is for years of more than four digits.", write_year(year))
    low, high = _keep_digits(year, match["significant"])
    mark = match["mark"]
    written = Span((low, 1, 1), (high, 12, 31))
    return _mark(written, "year", [mark] if mark else [], ["year"] if mark in ("~", "%") else [])


def _round_to_digits(text: str, part: dict[str, str]) -> Span:
    if part["month"] is not None or "X" in part["year"]:
        raise DateRefused(f"“{text}”: significant digits go with a plain year, as in 1950S2.")
    low, high = _keep_digits(int(part["year"]), part["significant"])
    return Span((low, 1, 1), (high, 12, 31))


def _keep_digits(year: int, significant: str | None) -> tuple[int, int]:
    """First and last year that share the leading digits."""
    if significant is None:
        return year, year
    kept, length = int(significant), len(str(abs(year)))
    if not 1 <= kept <= length:
        raise DateRefused(f"{year} has {length} digits, so S{significant} makes no sense.")
    step = 10 ** (length - kept)
    low = abs(year) // step * step
    return (low, low + step - 1) if year >= 0 else (-(low + step - 1), -low)


def _bound_group(text: str, part: dict[str, str]) -> Span:
    group = GROUPED_MONTHS.get(int(part["month"]))
    if group is None:
        raise DateRefused(
            f"“{text}”: there is no month {part['month']}; 01 to 12 are months, 21 to 24 seasons."
        )
    if part["day"] is not None:
        raise DateRefused(f"“{text}”: a season or part of a year has no day.")
    years = list(_fill_years(part["year"]))
    start, length = group
    first = shift_months((years[0], 1, 1), start - 1)
    last = shift_months((years[-1], 1, 1), start - 1 + length)
    return Span(first, shift_days(last, -1))


def _find_first(text: str, part: dict[str, str], last: bool) -> Day:
    """The first (or last) real day that the text may mean."""
    year_text, month_text, day_text = part["year"], part["month"] or "XX", part["day"] or "XX"
    months = [m for m in range(1, 13) if _fits(m, month_text)]
    for year in _fill_years(year_text, last):
        for month in reversed(months) if last else months:
            days = [d for d in range(1, count_days_of_month(year, month) + 1) if _fits(d, day_text)]
            if days:
                return year, month, days[-1] if last else days[0]
    raise DateRefused(_say_impossible(text, part, months))


def _say_impossible(text: str, part: dict[str, str], months: list[int]) -> str:
    if not months:
        return f"“{text}”: there is no month {part['month']}; months are 01 to 12."
    if len(months) == 1 and "X" not in part["year"]:
        year, month = int(part["year"]), months[0]
        days = count_days_of_month(year, month)
        return f"“{text}”: there is no such day; {MONTH_NAMES[month - 1]} {year} has {days} days."
    return f"“{text}”: there is no such day in any month or year that fits."


def _fits(number: int, mask: str) -> bool:
    return all(m in ("X", d) for m, d in zip(mask, f"{number:02d}", strict=True))


def _fill_years(mask: str, last: bool = False) -> Iterator[int]:
    """Every year that fits, in order of time, or against it."""
    negative, digits = mask.startswith("-"), mask.lstrip("-")
    if negative and digits == "0000":
        raise DateRefused("There is no year -0000.", "0000")
    choices = ["0123456789" if d == "X" else d for d in digits]
    if last != negative:
        choices = [c[::-1] for c in choices]
    return (int(("-" if negative else "") + "".join(filled)) for filled in product(*choices))


def _check_time(text: str, part: dict[str, str]) -> None:
    marks = [part[f"{side}_{name}"] for name in ("year", "month", "day") for side in ("before", "after")]
    whole = part["day"] is not None and "X" not in part["year"] + part["month"] + part["day"]
    if not whole or any(marks) or _TIME.fullmatch(part["time"]) is None:
        raise DateRefused(f"“{text}”: a time of day stands behind a whole date, as in 1985-04-12T23:20:30Z.")


def _qualify(written: Span, part: dict[str, str]) -> EdtfDate:
    """Marks behind a part hold for it and all to its left, marks before it for it alone.

    How wide "about" is follows the part that the mark stands at.
    """
    marks: list[str] = []
    about: list[Precision] = []
    precision: Precision = "year"
    names: tuple[Precision, ...] = ("year", "month", "day")
    for name in names:
        if part[name] is not None:
            precision = name
        for mark in (part[f"before_{name}"], part[f"after_{name}"]):
            if mark:
                marks.append(mark)
                about += [name] if mark in "~%" else []
    return _mark(written, precision, marks, about)


def _mark(written: Span, precision: Precision, marks: list[str], about: list[Precision]) -> EdtfDate:
    joined = "".join(marks)
    return EdtfDate(written, _widen(written, about), precision, any(m in joined for m in "?%"), any(about))


def _widen(span: Span, about: list[Precision]) -> Span:
    first, last = span.earliest, span.latest
    if not about or first is None or last is None:
        return span
    if "year" in about or "month" in about:
        months = CIRCA_YEARS * 12 if "year" in about else CIRCA_MONTHS
        whole = last[2] == count_days_of_month(last[0], last[1])
        last = shift_months(last, months)
        last = (last[0], last[1], count_days_of_month(last[0], last[1])) if whole else last
        return Span(shift_months(first, -months), last)
    return Span(shift_days(first, -CIRCA_DAYS), shift_days(last, CIRCA_DAYS))
