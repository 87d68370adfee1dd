"""Dates in words: "about 1935", "some time from 1932 to 1937", "before 1942", "spring 1936"."""

from __future__ import annotations

import re

from service.register.days import MONTH_NAMES, Day, Span, count_days_of_month, write_day
from service.register.edtf import Edtf, parse_edtf

_GROUPS = (
    {21 + n: name for n, name in enumerate(("spring", "summer", "autumn", "winter"))}
    | {25 + n: f"{name} (north)" for n, name in enumerate(("spring", "summer", "autumn", "winter"))}
    | {29 + n: f"{name} (south)" for n, name in enumerate(("spring", "summer", "autumn", "winter"))}
    | {33 + n: f"{name} quarter of" for n, name in enumerate(("first", "second", "third", "last"))}
    | {37 + n: f"{name} third of" for n, name in enumerate(("first", "second", "last"))}
    | {40 + n: f"{name} half of" for n, name in enumerate(("first", "second"))}
)


def say_edtf(date: Edtf | str) -> str:
    """The date as a person would say it; what the words cannot hold, the EDTF itself holds.

    Raises
    ------
    DateRefused
        A text that is not EDTF.

    Examples
    --------
    >>> say_edtf("[1932..1937]"), say_edtf("1932/1937")
    ('some time from 1932 to 1937', '1932 to 1937')
    """
    edtf = parse_edtf(date) if isinstance(date, str) else date
    if edtf.kind == "run":
        return _say_run(edtf.text)
    if edtf.kind == "date":
        return _say_date(edtf.text)
    return _say_set(edtf)


def _say_run(text: str) -> str:
    start, end = text.split("/")
    if start in ("", ".."):
        return f"until {_say_date(end)}" + (", start not known" if start == "" else "")
    if end in ("", ".."):
        return f"from {_say_date(start)}" + (", end not known" if end == "" else " on")
    return f"{_say_date(start)} to {_say_date(end)}"


def _say_set(edtf: Edtf) -> str:
    parts = [part.strip() for part in edtf.text[1:-1].split(",")]
    if len(parts) == 1 and ".." in parts[0]:
        return _say_stretch(parts[0], edtf.kind == "one of")
    said = [_say_stretch(part, False) if ".." in part else _say_date(part) for part in parts]
    joining = " or " if edtf.kind == "one of" else " and "
    return ", ".join(said[:-1]) + joining + said[-1] if len(said) > 1 else said[0]


def _say_stretch(part: str, one: bool) -> str:
    low, high = part.split("..")
    if not low:
        return _say_before(high)
    if not high:
        return f"{_say_date(low)} or later"
    return f"some time from {_say_date(low)} to {_say_date(high)}" if one else f"{low} to {high}"


def _say_before(high: str) -> str:
    plain_year = re.fullmatch(r"[0-9]{4}", high)
    return f"before {int(high) + 1}" if plain_year else f"{_say_date(high)} or earlier"


def _say_date(text: str) -> str:
    marks = set(re.findall(r"[?~%]", text))
    bare = re.sub(r"[?~%]", "", text)
    about = "about " if marks & {"~", "%"} else ""
    return about + _say_bare(bare) + (" (uncertain)" if marks & {"?", "%"} else "")


def _say_bare(bare: str) -> str:
    if re.fullmatch(r"[0-9]{3}X", bare):
        return f"{bare[:3]}0s"
    if re.fullmatch(r"[0-9]{2}XX", bare):
        return f"{bare[:2]}00s"
    if (match := re.fullmatch(r"([0-9]{4})S([0-9]+)", bare)) is not None:
        return f"{match[1]} to {match[2]} digits"
    match = re.fullmatch(r"(-?[0-9]{4})-([0-9]{2})(?:-([0-9]{2}))?", bare)
    if match is None:
        return bare
    year, month = match[1], int(match[2])
    if month > 12:
        return f"{_GROUPS[month]} {year}"
    name = f"{MONTH_NAMES[month - 1]} {year}"
    return f"{int(match[3])} {name}" if match[3] else name


def say_span(span: Span) -> str:
    """A stretch of days, none of them known to be the one: "from 1932 to 1937", "1936 or later"."""
    if span.earliest is None and span.latest is None:
        return "no date"
    first = None if span.earliest is None else say_day(span.earliest, first=True)
    last = None if span.latest is None else say_day(span.latest, first=False)
    if first is None:
        return f"{last} or earlier"
    if last is None:
        return f"{first} or later"
    return first if first == last else f"from {first} to {last}"


def say_day(day: Day, first: bool) -> str:
    """A day in words, as its year alone where it is that year's first (or last) day, or its month alone."""
    if day[1:] == ((1, 1) if first else (12, 31)):
        return str(day[0])
    name = f"{MONTH_NAMES[day[1] - 1]} {day[0]}"
    if abs(day[0]) > 9999:
        return write_day(day)
    edge = 1 if first else count_days_of_month(day[0], day[1])
    return name if day[2] == edge else f"{day[2]} {name}"
