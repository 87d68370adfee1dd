"""How two runs lie in time: Allen's thirteen relations, their composition, and which ones remain possible.

References
----------
J. F. Allen, "Maintaining knowledge about temporal intervals", Communications of the ACM 26(11), 1983,
832-843. Its table of compositions is not copied: it follows from the definitions, and is derived here from
all runs with ends among six points, which is as many as three runs can have.
"""

from __future__ import annotations

from functools import cache, lru_cache
from itertools import combinations, product
from typing import Literal

from service.register.edtf import Edtf, parse_edtf

Relation = Literal["<", "m", "o", "fi", "di", "si", "=", "s", "d", "f", "oi", "mi", ">"]
RELATIONS: tuple[Relation, ...] = ("<", "m", "o", "fi", "di", "si", "=", "s", "d", "f", "oi", "mi", ">")
_SAID: dict[str, str] = {
    "<": "ended before {b} began",
    "m": "ended as {b} began",
    "o": "began first and overlapped {b}",
    "fi": "began before {b} and ended with it",
    "di": "lasted from before {b} to after it",
    "si": "began with {b} and lasted longer",
    "=": "lasted as long as {b}",
    "s": "began with {b} and ended first",
    "d": "lay within {b}",
    "f": "began after {b} and ended with it",
    "oi": "began later and overlapped {b}",
    "mi": "began as {b} ended",
    ">": "began after {b} had ended",
}
# Years beyond every named one, for ends that are open; three runs' ends fit in between.
_BEYOND = 4
# A range of possible years up to this is tried whole; of longer ones, the years around the other ends are.
_TRY_ALL = 5

Run = tuple[int, int]


def relate(one: Run, other: Run) -> Relation:
    """The relation of two runs given as start and end of half-open intervals.

    Raises
    ------
    ValueError
        A run does not end after it starts.

    Examples
    --------
    >>> relate((1932, 1938), (1938, 1941))
    'm'
    """
    (a0, a1), (b0, b1) = one, other
    if a0 >= a1 or b0 >= b1:
        raise ValueError(f"expected runs that end after they start, got {one} and {other}")
    if a1 <= b0:
        return "m" if a1 == b0 else "<"
    if b1 <= a0:
        return "mi" if b1 == a0 else ">"
    return _relate_sharing(_sign(a0 - b0), _sign(a1 - b1))


def _sign(number: int) -> int:
    return (number > 0) - (number < 0)


def _relate_sharing(start: int, end: int) -> Relation:
    """Of two runs that share time, by which starts and which ends first."""
    table: dict[tuple[int, int], Relation] = {
        (-1, -1): "o", (-1, 0): "fi", (-1, 1): "di",
        (0, -1): "s", (0, 0): "=", (0, 1): "si",
        (1, -1): "d", (1, 0): "f", (1, 1): "oi",
    }  # fmt: skip
    return table[start, end]


def compose(first: Relation, second: Relation) -> frozenset[Relation]:
    """What A may be to C when A is ``first`` to B and B is ``second`` to C."""
    return _derive_table()[first, second]


@cache
def _derive_table() -> dict[tuple[Relation, Relation], frozenset[Relation]]:
    runs = list(combinations(range(6), 2))
    found: dict[tuple[Relation, Relation], set[Relation]] = {}
    for a, b, c in product(runs, repeat=3):
        found.setdefault((relate(a, b), relate(b, c)), set()).add(relate(a, c))
    return {pair: frozenset(relations) for pair, relations in found.items()}


@lru_cache(maxsize=10_000)
def relate_dates(one: str, other: str) -> frozenset[Relation]:
    """Every relation that two dates in EDTF leave possible, reckoned in whole years.

    A year counts whole, so 1937 meets 1938. An end that is open, unknown or approximate may lie anywhere
    that the text allows. A date that is no run is taken to have begun and ended within its bounds.

    Raises
    ------
    DateRefused
        A text is not EDTF.
    """
    return relate_bounds(_bound_ends(parse_edtf(one)), _bound_ends(parse_edtf(other)))


Bound = tuple[int | None, int | None]


def relate_bounds(one: tuple[Bound, Bound], other: tuple[Bound, Bound]) -> frozenset[Relation]:
    """Every relation of two runs whose first and last years lie within these bounds, None where open."""
    ends = (one, other)
    named = [year for pair in ends for bound in pair for year in bound if year is not None]
    low, high = min(named, default=0) - _BEYOND, max(named, default=0) + _BEYOND
    choices = [_choose_years(bound, named, low, high) for pair in ends for bound in pair]
    return frozenset(
        relate((a0, a1 + 1), (b0, b1 + 1)) for a0, a1, b0, b1 in product(*choices) if a0 <= a1 and b0 <= b1
    )


def _bound_ends(date: Edtf) -> tuple[Bound, Bound]:
    if date.kind == "run" and date.start is not None and date.end is not None:
        start, end = date.start, date.end
        return (start.first_year, start.last_year), (end.first_year, end.last_year)
    whole = (date.first_year, date.last_year)
    return whole, whole


def _choose_years(bound: Bound, named: list[int], low: int, high: int) -> list[int]:
    first = low if bound[0] is None else bound[0]
    last = high if bound[1] is None else bound[1]
    if last - first <= _TRY_ALL:
        return list(range(first, last + 1))
    near = {year + shift for year in (*named, low, high) for shift in range(-2, 3)}
    return sorted(year for year in near if first <= year <= last)


def say_relations(relations: frozenset[Relation], one: str, other: str) -> str:
    """What is possible, as one sentence about two things named."""
    if len(relations) == len(RELATIONS):
        return f"The dates leave open how {one} lies to {other}."
    said = [_SAID[relation].format(b=other) for relation in RELATIONS if relation in relations]
    return f"{one} {said[0]}." if len(said) == 1 else f"{one} either {', or '.join(said)}."
