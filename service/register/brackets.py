"""The bracket of a piece: the days that all its evidence allows, every source named; never an average.

Where no day is left the evidence contradicts itself, and the sources that clash are named instead of a
date. In all twelve published assemblages that were checked, the type ranges shared no common year and yet
gave a tidy mean: that is what a mean hides.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any, Literal

from service.register.claims import DATES_ITSELF, Claim, order_claims
from service.register.days import EVER, Day, Span, intersect_spans, join_spans
from service.register.edtf import CIRCA_YEARS, parse_edtf, write_one_of
from service.register.edtf_said import say_span

Status = Literal["dated", "no evidence", "conflict"]
# Among a hundred sources of one piece nobody reads every pair; the first few name what has to be settled.
MAX_CLASHES = 12


@dataclass(frozen=True)
class Clash:
    """Sources that cannot all be right: a pair, or, where gaps of sets are to blame, the few it takes."""

    claims: tuple[Claim, ...]

    @property
    def sentence(self) -> str:
        """Who says what against whom."""
        said = " and ".join(claim.said for claim in self.claims)
        return f"These cannot {'both' if len(self.claims) == 2 else 'all'} be right: {said}."

    def as_json(self) -> dict[str, Any]:
        """Plain values."""
        return {"claims": [claim.as_json() for claim in self.claims], "sentence": self.sentence}


@dataclass(frozen=True)
class Bracket:
    """When a piece can have been made.

    Attributes
    ----------
    status : "dated", "no evidence" (nothing bounds it) or "conflict".
    spans : days that every source allows, in order; () in a conflict.
    claims : every source, in a fixed order.
    earliest_by, latest_by : the sources that set the first and the last day.
    clashes : in a conflict, the sources that clash.
    """

    status: Status
    spans: tuple[Span, ...]
    claims: tuple[Claim, ...]
    earliest_by: tuple[Claim, ...] = ()
    latest_by: tuple[Claim, ...] = ()
    clashes: tuple[Clash, ...] = ()

    @property
    def span(self) -> Span | None:
        """First to last day, gaps left out of account; None in a conflict."""
        return Span(self.spans[0].earliest, self.spans[-1].latest) if self.spans else None

    @property
    def edtf(self) -> str | None:
        """The bracket as one date of a set; None where nothing bounds it or sources clash."""
        return write_one_of(self.spans) if self.spans else None

    @property
    def sentence(self) -> str:
        """The bracket in words, with the sources that set its ends."""
        if self.status == "conflict":
            return "No date fits all the evidence. " + " ".join(clash.sentence for clash in self.clashes)
        span = self.span
        if span is None or span == EVER:
            return "Nothing in the register dates this piece."
        said = [f"Made {say_span(span)}."]
        if self.earliest_by:
            said.append(f"What sets the earliest year: {_name_sources(self.earliest_by)}.")
        if self.latest_by:
            said.append(f"What sets the latest year: {_name_sources(self.latest_by)}.")
        return " ".join(said)

    @property
    def cautions(self) -> tuple[str, ...]:
        """What to keep in mind about the sources that set its ends, each sentence once."""
        setting = (*self.earliest_by, *self.latest_by)
        return tuple(dict.fromkeys(said for claim in setting for said in _find_cautions(claim)))

    def as_json(self) -> dict[str, Any]:
        """Plain values."""
        return {
            "cautions": list(self.cautions),
            "status": self.status,
            "edtf": self.edtf,
            "spans": [span.as_json() for span in self.spans],
            "earliest_by": [claim.as_json() for claim in self.earliest_by],
            "latest_by": [claim.as_json() for claim in self.latest_by],
            "claims": [claim.as_json() for claim in self.claims],
            "clashes": [clash.as_json() for clash in self.clashes],
            "sentence": self.sentence,
        }


def find_bracket(claims: Iterable[Claim]) -> Bracket:
    """Intersect what the claims allow; their order and repetition make no difference."""
    ordered = order_claims(claims)
    spans = _intersect_all(ordered)
    if not spans:
        return Bracket("conflict", (), ordered, clashes=_find_clashes(ordered))
    first, last = spans[0].earliest, spans[-1].latest
    earliest_by = tuple(c for c in ordered if first is not None and _begins(c, first))
    latest_by = tuple(c for c in ordered if last is not None and _ends(c, last))
    status: Status = "no evidence" if spans == (EVER,) else "dated"
    return Bracket(status, spans, ordered, earliest_by, latest_by)


def find_terminus_post_quem(dates: Sequence[str]) -> Day | None:
    """The day before which a closed find cannot be: the latest of its objects' earliest possible dates.

    Parameters
    ----------
    dates : EDTF of the objects found together.

    Returns
    -------
    The day, or None where none of the dates has a first day.

    Raises
    ------
    DateRefused
        One of the dates is not EDTF.
    """
    return max((day for date in dates if (day := parse_edtf(date).earliest) is not None), default=None)


def _intersect_all(claims: Sequence[Claim]) -> tuple[Span, ...]:
    common: tuple[Span, ...] = (EVER,)
    for claim in claims:
        pairs = [intersect_spans(one, other) for one in common for other in claim.spans]
        common = join_spans(tuple(span for span in pairs if not span.is_empty))
    return common


def _begins(claim: Claim, day: Day) -> bool:
    return any(span.earliest == day for span in claim.spans)


def _ends(claim: Claim, day: Day) -> bool:
    return any(span.latest == day for span in claim.spans)


def _find_clashes(claims: Sequence[Claim]) -> tuple[Clash, ...]:
    pairs = [Clash(pair) for pair in combinations(claims, 2) if not _intersect_all(pair)]
    return tuple(pairs[:MAX_CLASHES]) or (Clash(_thin_out(claims)),)


def _thin_out(claims: Sequence[Claim]) -> tuple[Claim, ...]:
    """Claims that clash together though no two of them do, less each that is not needed for it."""
    needed = list(claims)
    for claim in claims:
        rest = [other for other in needed if other is not claim]
        if not _intersect_all(rest):
            needed = rest
    return tuple(needed)


def _find_cautions(claim: Claim) -> Iterator[str]:
    date = parse_edtf(claim.date)
    if date.approximate:
        yield f"{claim.source}: “about” is taken as {CIRCA_YEARS} years either way (a month as 3 months)."
    if date.uncertain:
        yield f"{claim.source}: the date is marked as uncertain."
    if claim.strength == "weak":
        yield f"{claim.source}: recorded as weak evidence."
    if claim.bearing == "made within" and claim.kind in DATES_ITSELF:
        yield (
            f"{claim.source}: a {claim.kind} dates itself, not the piece; "
            f"it may bound the piece at one side, as “not before” or “not after”."
        )


def _name_sources(claims: Sequence[Claim]) -> str:
    return " and ".join(claim.said for claim in claims)
