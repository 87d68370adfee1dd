"""EDTF text in and out: dates, runs and sets of ISO 8601-2:2019, levels 0 to 2, with their bounds.

A run (``1932/1937``, something that went on from the one to the other) and one date of a set
(``[1932..1937]``, a single year, nobody knows which) have the same bounds and are kept apart by ``kind``.

We read EDTF ourselves. The package ``edtf`` 5.0.2, tried on the examples of the Library of Congress and on
impossible dates, refuses ``1984-1X``, fails with a TypeError on the bounds of every open run or set, gives
a run of unknown end ten years from nowhere, keeps only the ends of a set with gaps, takes ``1937/1932``, and
cannot say what the syntax of 2012 should have been.

References
----------
Library of Congress, Extended Date/Time Format (EDTF) Specification, 4 February 2019; ISO 8601-2:2019.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Literal

from service.register.days import (
    EVER,
    Day,
    Span,
    join_spans,
    shift_days,
    write_day,
    write_year,
)
from service.register.edtf_date import CIRCA_YEARS, DateRefused, EdtfDate, parse_date
from service.register.edtf_hints import find_caution, suggest_edtf

__all__ = ["CIRCA_YEARS", "DateRefused", "Edtf", "parse_edtf", "write_one_of", "write_run"]

Kind = Literal["date", "run", "one of", "all of"]
End = Literal["known", "unknown", "open"]
# Longer than any date in use; a set that goes on for pages is refused before it is read.
MAX_LETTERS = 200


@dataclass(frozen=True)
class Edtf:
    """A date as written, with what it allows.

    Attributes
    ----------
    text : as written, blanks at the ends removed.
    kind : "date"; "run" (from one to the other); "one of" a set; "all of" a set.
    spans : the days it allows, in order, apart from each other, widened where it says about. A run of
        about 1932 to about 1937 allows 1927 to 1942.
    written : the same to the letter, first to last, nothing widened.
    start, end : the spans within which a run starts and ends; None for others.
    start_known, end_known : "unknown" (``/1942``) and "open" (``../1942``) differ: nobody knows, or no end.
    caution : what a careless reader may have meant instead, or None.
    """

    text: str
    kind: Kind
    spans: tuple[Span, ...]
    written: Span
    uncertain: bool = False
    approximate: bool = False
    start: Span | None = None
    end: Span | None = None
    start_known: End = "known"
    end_known: End = "known"
    caution: str | None = None

    @property
    def span(self) -> Span:
        """First to last day that it allows, gaps of a set left out of account."""
        return Span(self.spans[0].earliest, self.spans[-1].latest)

    @property
    def earliest(self) -> Day | None:
        """First day that it allows; None where it is open or unknown."""
        return self.spans[0].earliest

    @property
    def latest(self) -> Day | None:
        """Last day that it allows; None where it is open or unknown."""
        return self.spans[-1].latest

    @property
    def first_year(self) -> int | None:
        """Year of ``earliest``."""
        return self.span.first_year

    @property
    def last_year(self) -> int | None:
        """Year of ``latest``."""
        return self.span.last_year

    def as_json(self) -> dict[str, Any]:
        """Plain values, with the width of "about" said where it was used."""
        return {
            "text": self.text,
            "kind": self.kind,
            **self.span.as_json(),
            "spans": [span.as_json() for span in self.spans],
            "uncertain": self.uncertain,
            "approximate": self.approximate,
            "circa_years": CIRCA_YEARS if self.approximate else None,
            "start": self.start_known if self.kind == "run" else None,
            "end": self.end_known if self.kind == "run" else None,
            "caution": self.caution,
        }


@lru_cache(maxsize=20_000)
def parse_edtf(text: str) -> Edtf:
    """Read EDTF of any level.

    Raises
    ------
    DateRefused
        It is not EDTF, is the syntax of 2012, or names a day or run that cannot be. The message says what
        to write; ``hint`` holds it alone where one is known.

    Examples
    --------
    >>> parse_edtf("[1932..1937]").kind, parse_edtf("1932/1937").kind
    ('one of', 'run')
    >>> parse_edtf("1935~").first_year, parse_edtf("1935~").last_year
    (1930, 1940)
    """
    text = text.strip()
    if not text or len(text) > MAX_LETTERS:
        raise DateRefused(f"A date has 1 to {MAX_LETTERS} letters and is written in EDTF, such as 1935~.")
    try:
        return _parse(text)
    except DateRefused as refused:
        hint = refused.hint or _first_readable(suggest_edtf(text))
        if hint is not None and refused.hint is None:
            raise DateRefused(f"“{text}” is not EDTF as it stands since 2019.", hint) from None
        raise


def _first_readable(hints: tuple[str, ...]) -> str | None:
    for hint in hints:
        try:
            _parse(hint)
        except DateRefused:
            continue
        return hint
    return None


def _parse(text: str) -> Edtf:
    if text[0] in "[{" or text[-1] in "]}":
        return _parse_set(text)
    if "/" in text:
        return _parse_run(text)
    date = parse_date(text)
    caution = find_caution(text)
    return Edtf(text, "date", (date.span,), date.written, date.uncertain, date.approximate, caution=caution)


def _parse_run(text: str) -> Edtf:
    parts = text.split("/")
    if len(parts) != 2:
        raise DateRefused(f"“{text}”: a run has one stroke, between its start and its end.")
    if all(part in ("", "..") for part in parts):
        raise DateRefused(f"“{text}” names neither start nor end; leave the date empty instead.")
    if any("T" in part for part in parts):
        raise DateRefused(f"“{text}”: a run goes from day to day, without times.")
    (start, start_known), (end, end_known) = (_parse_end(part) for part in parts)
    if start is not None and end is not None:
        _check_order(text, start.written, end.written)
    start_span = start.span if start else EVER
    end_span = end.span if end else EVER
    written = Span(
        start.written.earliest if start else None,
        end.written.latest if end else None,
    )
    known = [date for date in (start, end) if date is not None]
    return Edtf(
        text,
        "run",
        (Span(start_span.earliest, end_span.latest),),
        written,
        any(date.uncertain for date in known),
        any(date.approximate for date in known),
        start_span,
        end_span,
        start_known,
        end_known,
    )


def _parse_end(part: str) -> tuple[EdtfDate | None, End]:
    if part == "":
        return None, "unknown"
    return (None, "open") if part == ".." else (parse_date(part), "known")


def _check_order(text: str, start: Span, end: Span) -> None:
    if start.earliest is not None and end.latest is not None and start.earliest > end.latest:
        first, second = text.replace("..", "/").split("/")
        raise DateRefused(f"“{text}” ends before it begins; it runs from {second} to {first} if at all.")


def _parse_set(text: str) -> Edtf:
    if (text[0], text[-1]) not in (("[", "]"), ("{", "}")):
        raise DateRefused(f"“{text}”: a set stands between [ and ] (one of them) or {{ and }} (all of them).")
    elements = [element.strip() for element in text[1:-1].split(",")]
    read = [
        _parse_element(element, place == 0, place == len(elements) - 1)
        for place, element in enumerate(elements)
    ]
    spans = join_spans(tuple(widened for widened, _, _ in read))
    written = join_spans(tuple(written for _, written, _ in read))
    dates = [date for _, _, found in read for date in found]
    return Edtf(
        text,
        "one of" if text[0] == "[" else "all of",
        spans,
        Span(written[0].earliest, written[-1].latest),
        any(date.uncertain for date in dates),
        any(date.approximate for date in dates),
    )


def _parse_element(element: str, first: bool, last: bool) -> tuple[Span, Span, list[EdtfDate]]:
    """Bounds, bounds to the letter, and the dates named, of one date or ``a..b`` of a set."""
    if ".." not in element:
        date = parse_date(element)
        return date.span, date.written, [date]
    low_text, _, high_text = element.partition("..")
    if not (low_text or high_text) or (not low_text and not first) or (not high_text and not last):
        raise DateRefused(
            f"“{element}”: two dots stand between dates, before the first date of a set or behind its last."
        )
    low = parse_date(low_text) if low_text else None
    high = parse_date(high_text) if high_text else None
    if low is not None and high is not None:
        _check_order(element, low.written, high.written)
    widened = Span(low.span.earliest if low else None, high.span.latest if high else None)
    written = Span(low.written.earliest if low else None, high.written.latest if high else None)
    return widened, written, [date for date in (low, high) if date is not None]


def write_one_of(spans: tuple[Span, ...]) -> str | None:
    """EDTF for one date within these spans: ``[1932..1937]``, ``1935``, ``[..1941]``; None for ever."""
    parts = [_write_stretch(span) for span in join_spans(spans)]
    if not parts or parts == [".."]:
        return None
    if len(parts) == 1 and ".." not in parts[0]:
        return parts[0]
    return f"[{','.join(parts)}]"


def write_run(span: Span) -> str | None:
    """EDTF for something that went on over this span; open where it has no bound; None where it has none."""
    if span == EVER:
        return None
    return f"{_write_end(span, first=True) or '..'}/{_write_end(span, first=False) or '..'}"


def _write_stretch(span: Span) -> str:
    first, last = _write_end(span, first=True), _write_end(span, first=False)
    if first is not None and first == last:
        return first
    return f"{first or ''}..{last or ''}"


def _write_end(span: Span, first: bool) -> str | None:
    """One end, no more precise than it need be; a span of whole months or years has ends of that kind."""
    day = span.earliest if first else span.latest
    if day is None:
        return None
    starts_year = span.earliest is None or span.earliest[1:] == (1, 1)
    if starts_year and (span.latest is None or span.latest[1:] == (12, 31)):
        return write_year(day[0])
    starts_month = span.earliest is None or span.earliest[2] == 1
    if starts_month and (span.latest is None or shift_days(span.latest, 1)[2] == 1):
        return write_day(day)[:-3] if abs(day[0]) <= 9999 else write_day(day)
    return write_day(day)
