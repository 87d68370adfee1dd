"""What a decoration number says by the rules that a user wrote for a maker: prefix to line or distributor.

Decoration numbers are not unique across makers, so a rule speaks for one maker unless it names none.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from service.register.listed import NumberRule
from service.register.sightings import Lists


@dataclass(frozen=True)
class DecorationNumber:
    """A decoration number taken apart: ``OS-114b`` has letters OS, serial 114 and rest B."""

    text: str
    key: str  # what equal numbers share however they were written: OS114B
    letters: str
    serial: int | None
    rest: str


@dataclass(frozen=True)
class NumberMeaning:
    """What the rules of one maker (None: rules that name none) say about a number."""

    maker_id: str | None
    line_id: str | None
    distributor_id: str | None
    rule_ids: tuple[str, ...]
    sentence: str

    def as_json(self) -> dict[str, Any]:
        """Plain values."""
        return {
            "maker": self.maker_id,
            "line": self.line_id,
            "distributor": self.distributor_id,
            "rules": list(self.rule_ids),
            "sentence": self.sentence,
        }


@lru_cache(maxsize=200_000)
def write_number_key(text: str) -> str:
    """Capitals and digits alone: ``os 114`` and ``OS-114`` are the same number."""
    plain = unicodedata.normalize("NFKD", text).upper()
    return "".join(letter for letter in plain if letter.isalnum())


def split_number(text: str) -> DecorationNumber:
    """Take a number apart at its first digits; a doubtful part stays in ``rest``.

    Examples
    --------
    >>> split_number("os 114").key, split_number("OS-114").serial
    ('OS114', 114)
    """
    key = write_number_key(text)
    match = re.match(r"([^0-9]*)([0-9]*)(.*)", key, re.DOTALL)
    assert match is not None
    digits = match[2]
    return DecorationNumber(text, key, match[1], int(digits[:18]) if digits else None, match[3])


def read_number(text: str, maker_id: str | None, lists: Lists) -> tuple[NumberMeaning, ...]:
    """What a number means by the rules: one meaning where its maker is known, else one for each maker.

    The longest prefix that fits decides; a maker's own rules go before those that name no maker. Nothing
    fits: nothing is returned, and nothing is guessed.
    """
    return tuple(
        _say_meaning(text, maker, rules, lists) for maker, rules in match_rules(text, maker_id, lists)
    )


def match_rules(
    text: str, maker_id: str | None, lists: Lists
) -> tuple[tuple[str | None, list[NumberRule]], ...]:
    """The rules that decide over a number, by the maker they speak for."""
    key = write_number_key(text)
    fitting: dict[str | None, list[NumberRule]] = {}
    for rule in lists.number_rules.values():
        if (maker_id is None or rule.maker_id in (None, maker_id)) and _fits(rule, key):
            fitting.setdefault(rule.maker_id, []).append(rule)
    if maker_id is not None and maker_id in fitting:
        fitting.pop(None, None)
    by_maker = sorted(fitting.items(), key=lambda pair: pair[0] or "")
    return tuple((maker, _longest(rules)) for maker, rules in by_maker)


def _fits(rule: NumberRule, key: str) -> bool:
    """A prefix of letters stands for these letters and no more: O does not stand for OS-114."""
    prefix = write_number_key(rule.prefix)
    if not prefix or not key.startswith(prefix):
        return False
    following = key[len(prefix) :]
    return not (prefix[-1].isalpha() and following[:1].isalpha())


def _longest(rules: list[NumberRule]) -> list[NumberRule]:
    longest = max(len(write_number_key(rule.prefix)) for rule in rules)
    return sorted((r for r in rules if len(write_number_key(r.prefix)) == longest), key=lambda r: r.id)


def _say_meaning(text: str, maker_id: str | None, rules: list[NumberRule], lists: Lists) -> NumberMeaning:
    line_id = next((rule.line_id for rule in rules if rule.line_id), None)
    distributor_id = next((rule.distributor_id for rule in rules if rule.distributor_id), None)
    named = []
    if line_id:
        named.append(f"the line {lists.lines[line_id].name if line_id in lists.lines else line_id}")
    if distributor_id:
        known = lists.distributors.get(distributor_id)
        named.append(f"the distributor {known.name if known else distributor_id}")
    sources = sorted({rule.source for rule in rules if rule.source})
    by = f" by {'; '.join(sources)}" if sources else ", no source noted"
    maker = f" of {_name(lists.makers, maker_id)}" if maker_id else ""
    sentence = f"{text} begins with {rules[0].prefix}, which{maker} stands for {' and '.join(named)}{by}."
    return NumberMeaning(maker_id, line_id, distributor_id, tuple(rule.id for rule in rules), sentence)


def find_number_rule_faults(rules: Iterable[NumberRule], lists: Lists) -> tuple[str, ...]:
    """Every rule that says nothing, and every two that contradict each other, each in a sentence."""
    faults: list[str] = []
    grouped: dict[tuple[str | None, str], list[NumberRule]] = {}
    for rule in sorted(rules, key=lambda r: (r.prefix, r.id)):
        faults += _find_faults_alone(rule, lists)
        grouped.setdefault((rule.maker_id, write_number_key(rule.prefix)), []).append(rule)
    for (maker_id, _), together in grouped.items():
        faults += _find_contradictions(maker_id, together, lists)
    return tuple(faults)


def _find_faults_alone(rule: NumberRule, lists: Lists) -> list[str]:
    faults = []
    if not write_number_key(rule.prefix):
        faults.append(f"The prefix “{rule.prefix}” has no letter or digit; write how such numbers begin.")
    if rule.line_id is None and rule.distributor_id is None:
        faults.append(f"The rule for {rule.prefix} names no line and no distributor; name one of them.")
    line = lists.lines.get(rule.line_id or "")
    if line is not None and line.maker_id is not None and rule.maker_id not in (None, line.maker_id):
        faults.append(
            f"The rule for {rule.prefix} speaks for {_name(lists.makers, rule.maker_id)}, but {line.name} "
            f"is a line of {_name(lists.makers, line.maker_id)}; change one of the two."
        )
    return faults


def _find_contradictions(maker_id: str | None, rules: list[NumberRule], lists: Lists) -> list[str]:
    faults = []
    for kind, named in (("line", lists.lines), ("distributor", lists.distributors)):
        ids = sorted({value for rule in rules if (value := getattr(rule, f"{kind}_id"))})
        if len(ids) > 1:
            whose = f" of {_name(lists.makers, maker_id)}" if maker_id else ""
            names = " and ".join(_name(named, value) for value in ids)
            faults.append(
                f"Numbers{whose} that begin with {rules[0].prefix} cannot stand for two {kind}s: {names}. "
                f"Keep one rule, or tell them apart by a longer prefix."
            )
    return faults


def _name(named: Any, record_id: str | None) -> str:
    record = named.get(record_id)
    return record.name if record is not None else str(record_id)
