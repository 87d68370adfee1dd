"""EDTF: the standard's own examples, the dead syntax, impossible dates, and what must hold for all dates.

Examples of levels 0 to 2: Library of Congress, Extended Date/Time Format (EDTF) Specification,
4 February 2019, written down from memory and checked against a public list of them (64 of them, all here);
the differences from 2012 are that page's section Differences.
Bounds are ours where the page gives none in words.
"""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.register.days import Span, count_days_of_month, shift_days
from service.register.edtf import CIRCA_YEARS, DateRefused, parse_edtf, write_one_of, write_run
from service.register.edtf_said import say_edtf

# text, kind, first day, last day (None: open or unknown)
EXAMPLES = [
    # level 0
    ("1985-04-12", "date", (1985, 4, 12), (1985, 4, 12)),
    ("1985-04", "date", (1985, 4, 1), (1985, 4, 30)),
    ("1985", "date", (1985, 1, 1), (1985, 12, 31)),
    ("1985-04-12T23:20:30", "date", (1985, 4, 12), (1985, 4, 12)),
    ("1985-04-12T23:20:30Z", "date", (1985, 4, 12), (1985, 4, 12)),
    ("1985-04-12T23:20:30-04", "date", (1985, 4, 12), (1985, 4, 12)),
    ("1985-04-12T23:20:30+04:30", "date", (1985, 4, 12), (1985, 4, 12)),
    ("1964/2008", "run", (1964, 1, 1), (2008, 12, 31)),
    ("2004-06/2006-08", "run", (2004, 6, 1), (2006, 8, 31)),
    ("2004-02-01/2005-02-08", "run", (2004, 2, 1), (2005, 2, 8)),
    ("2004-02-01/2005-02", "run", (2004, 2, 1), (2005, 2, 28)),
    ("2004-02-01/2005", "run", (2004, 2, 1), (2005, 12, 31)),
    ("2005/2006-02", "run", (2005, 1, 1), (2006, 2, 28)),
    # level 1
    ("Y170000002", "date", (170000002, 1, 1), (170000002, 12, 31)),
    ("Y-170000002", "date", (-170000002, 1, 1), (-170000002, 12, 31)),
    ("2001-21", "date", (2001, 3, 1), (2001, 5, 31)),
    ("1984?", "date", (1984, 1, 1), (1984, 12, 31)),
    ("2004-06~", "date", (2004, 3, 1), (2004, 9, 30)),
    ("2004-06-11%", "date", (2004, 5, 27), (2004, 6, 26)),
    ("201X", "date", (2010, 1, 1), (2019, 12, 31)),
    ("20XX", "date", (2000, 1, 1), (2099, 12, 31)),
    ("2004-XX", "date", (2004, 1, 1), (2004, 12, 31)),
    ("1985-04-XX", "date", (1985, 4, 1), (1985, 4, 30)),
    ("1985-XX-XX", "date", (1985, 1, 1), (1985, 12, 31)),
    ("1985-04-12/..", "run", (1985, 4, 12), None),
    ("1985-04/..", "run", (1985, 4, 1), None),
    ("1985/..", "run", (1985, 1, 1), None),
    ("../1985-04-12", "run", None, (1985, 4, 12)),
    ("../1985-04", "run", None, (1985, 4, 30)),
    ("../1985", "run", None, (1985, 12, 31)),
    ("1985-04-12/", "run", (1985, 4, 12), None),
    ("1985-04/", "run", (1985, 4, 1), None),
    ("1985/", "run", (1985, 1, 1), None),
    ("/1985-04-12", "run", None, (1985, 4, 12)),
    ("/1985-04", "run", None, (1985, 4, 30)),
    ("/1985", "run", None, (1985, 12, 31)),
    ("1984~/2004-06", "run", (1979, 1, 1), (2004, 6, 30)),
    ("1984/2004-06~", "run", (1984, 1, 1), (2004, 9, 30)),
    ("1984?/2004%", "run", (1984, 1, 1), (2009, 12, 31)),
    ("-1985", "date", (-1985, 1, 1), (-1985, 12, 31)),
    # level 2
    ("Y-17E7", "date", (-170000000, 1, 1), (-170000000, 12, 31)),
    ("1950S2", "date", (1900, 1, 1), (1999, 12, 31)),
    ("Y171010000S3", "date", (171000000, 1, 1), (171999999, 12, 31)),
    ("Y3388E2S3", "date", (338000, 1, 1), (338999, 12, 31)),
    ("2001-34", "date", (2001, 4, 1), (2001, 6, 30)),
    ("[1667,1668,1670..1672]", "one of", (1667, 1, 1), (1672, 12, 31)),
    ("[..1760-12-03]", "one of", None, (1760, 12, 3)),
    ("[1760-12..]", "one of", (1760, 12, 1), None),
    ("[1760-01,1760-02,1760-12..]", "one of", (1760, 1, 1), None),
    ("[1667,1760-12]", "one of", (1667, 1, 1), (1760, 12, 31)),
    ("[..1984]", "one of", None, (1984, 12, 31)),
    ("{1667,1668,1670..1672}", "all of", (1667, 1, 1), (1672, 12, 31)),
    ("{1960,1961-12}", "all of", (1960, 1, 1), (1961, 12, 31)),
    ("{..1984}", "all of", None, (1984, 12, 31)),
    ("2004-06~-11", "date", (2004, 3, 11), (2004, 9, 11)),
    ("2004-06-~11", "date", (2004, 5, 27), (2004, 6, 26)),
    ("2004?-06-11", "date", (2004, 6, 11), (2004, 6, 11)),
    ("?2004-06-~11", "date", (2004, 5, 27), (2004, 6, 26)),
    ("2004-%06-11", "date", (2004, 3, 11), (2004, 9, 11)),
    ("156X-12-25", "date", (1560, 12, 25), (1569, 12, 25)),
    ("15XX-12-25", "date", (1500, 12, 25), (1599, 12, 25)),
    ("XXXX-12-XX", "date", (0, 12, 1), (9999, 12, 31)),
    ("1XXX-XX", "date", (1000, 1, 1), (1999, 12, 31)),
    ("1XXX-12", "date", (1000, 12, 1), (1999, 12, 31)),
    ("1984-1X", "date", (1984, 10, 1), (1984, 12, 31)),
    ("2004-06-~01/2004-06-~20", "run", (2004, 5, 17), (2004, 7, 5)),
    ("2004-06-XX/2004-07-03", "run", (2004, 6, 1), (2004, 7, 3)),
]
MARKS = {"1984?": "u", "2004-06~": "a", "2004-06-11%": "ua", "?2004-06-~11": "ua", "2004?-06-11": "u"}


@pytest.mark.parametrize(("text", "kind", "first", "last"), EXAMPLES, ids=[e[0] for e in EXAMPLES])
def test_an_example_of_the_standard_has_its_bounds(text: str, kind: str, first: object, last: object) -> None:
    date = parse_edtf(text)
    assert (date.kind, date.earliest, date.latest, date.text) == (kind, first, last, text)


@pytest.mark.parametrize(("text", "marks"), MARKS.items())
def test_uncertain_and_approximate_are_told_apart(text: str, marks: str) -> None:
    date = parse_edtf(text)
    assert date.uncertain == ("u" in marks) and date.approximate == ("a" in marks)


# The syntax of 2012 (draft of the Library of Congress, from memory) and what it became.
DEAD = [
    ("199u", "199X"),
    ("19uu", "19XX"),
    ("1999-uu", "1999-XX"),
    ("1999-01-uu", "1999-01-XX"),
    ("unknown/1942", "/1942"),
    ("unknown/open", None),
    ("1985/open", "1985/.."),
    ("1985/unknown", "1985/"),
    ("1984?~", "1984%"),
    ("196x", "196X"),
    ("y170000002", "Y170000002"),
    ("y-17e7", "Y-17E7"),
    ("y17101e4p3", "Y17101E4S3"),
    ("(2004-06)~-11", "2004-06~-11"),
    ("2004-(06)?-11", "2004-?06-11"),
    ("2001-21^southernHemisphere", "2001-29"),
]
EVERYDAY = [
    ("c. 1935", "1935~"),
    ("circa 1935", "1935~"),
    ("1930s", "193X"),
    ("before 1942", "[..1941]"),
    ("after 1935", "[1936..]"),
    ("1932-1937", "1932/1937"),
    ("between 1932 and 1937", "[1932..1937]"),
    ("Spring 1936", "1936-21"),
    ("1935 or 1936", "[1935,1936]"),
]


@pytest.mark.parametrize(("text", "hint"), DEAD + EVERYDAY)
def test_another_way_of_writing_is_refused_with_the_new_way(text: str, hint: str | None) -> None:
    with pytest.raises(DateRefused) as refusal:
        parse_edtf(text)
    assert refusal.value.hint == hint
    if hint is not None:
        assert hint in str(refusal.value)
        assert parse_edtf(hint).text == hint


@pytest.mark.parametrize(
    "text",
    ["2004-02-30", "1935-02-29", "1935-13", "1935-00", "1935-06-31", "1935-4X", "XXX1-02-29", "1936-45",
     "1937/1932", "[1937..1932]", "1936-21-05", "1935-06-11T25:00:00", "1935T10:10:10", "-0000", "Y1E99",
     "Y1985", "1984S6", "/", "../..", "[]", "[1932", "1932}", "[1932..,1935]", "1932/1935/1937", "",
     "nineteen", "19350", "1935-6-1", "٢٠٠٤", "1935~~", "[[1935]]", "1935-04-12T10:00:00/1936"],
)  # fmt: skip
def test_what_cannot_be_is_refused_in_words(text: str) -> None:
    with pytest.raises(DateRefused, match=r"[a-z]{3}"):
        parse_edtf(text)


def test_a_run_and_one_of_a_set_are_kept_apart() -> None:
    run, one = parse_edtf("1932/1937"), parse_edtf("[1932..1937]")
    assert run.span == one.span and (run.kind, one.kind) == ("run", "one of")
    assert (run.start_known, parse_edtf("/1942").start_known, parse_edtf("../1942").start_known) == (
        "known",
        "unknown",
        "open",
    )


def test_a_set_keeps_its_gap() -> None:
    years = [(s.first_year, s.last_year) for s in parse_edtf("[1667,1668,1670..1672]").spans]
    assert years == [(1667, 1668), (1670, 1672)]


def test_about_has_the_stated_width() -> None:
    date = parse_edtf("1935~")
    assert (date.first_year, date.last_year) == (1935 - CIRCA_YEARS, 1935 + CIRCA_YEARS)
    assert (date.written.first_year, date.written.last_year) == (1935, 1935)
    assert date.as_json()["circa_years"] == CIRCA_YEARS


def test_a_run_of_years_written_with_a_hyphen_is_read_with_a_caution() -> None:
    caution = parse_edtf("1932-37").caution
    assert caution is not None and "1932/1937" in caution
    assert parse_edtf("1936-21").caution is None


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("1935~", "about 1935"),
        ("1932/1937", "1932 to 1937"),
        ("[1932..1937]", "some time from 1932 to 1937"),
        ("[..1941]", "before 1942"),
        ("193X", "1930s"),
        ("1936-21", "spring 1936"),
        ("/1942", "until 1942, start not known"),
        ("1932/..", "from 1932 on"),
        ("[1932,1935?]", "1932 or 1935 (uncertain)"),
        ("1936-02-03", "3 February 1936"),
    ],
)
def test_a_date_is_said_in_words(text: str, said: str) -> None:
    assert say_edtf(text) == said


days = st.builds(
    lambda y, m, d: (y, m, min(d, count_days_of_month(y, m))),
    st.integers(-9999, 9999),
    st.integers(1, 12),
    st.integers(1, 31),
)


@settings(deadline=None)
@given(days, days)
def test_written_spans_read_back_the_same(one: tuple[int, int, int], other: tuple[int, int, int]) -> None:
    span = Span(min(one, other), max(one, other))
    for text in (write_one_of((span,)), write_run(span)):
        assert text is not None
        assert parse_edtf(text).span == span


@settings(deadline=None)
@given(st.text(alphabet="0123456789X-/.[]{},?~%TZYES ux:", max_size=24))
def test_any_text_is_read_or_refused_and_bounds_are_in_order(text: str) -> None:
    try:
        date = parse_edtf(text)
    except DateRefused:
        return
    assert not date.span.is_empty
    assert all(a.latest < b.earliest for a, b in zip(date.spans, date.spans[1:], strict=False))  # type: ignore[operator]
    assert say_edtf(date)


@settings(deadline=None)
@given(days, st.integers(-400, 400))
def test_days_shift_there_and_back(day: tuple[int, int, int], by: int) -> None:
    assert shift_days(shift_days(day, by), -by) == day
