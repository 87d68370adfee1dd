"""Dates that a code in a mark stands for, by rules that a user wrote, each with its source.

A code dates what it was put on: the mark says when the ware was made, not when it was decorated or sold.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from service.register.edtf import DateRefused, parse_edtf
from service.register.edtf_said import say_edtf
from service.register.listed import DateCodeRule
from service.register.number_rules import write_number_key
from service.register.sightings import Lists


@dataclass(frozen=True)
class DateCodeMeaning:
    """What one rule says that a code means."""

    rule_id: str
    code: str
    date: str  # EDTF
    sentence: str

    def as_json(self) -> dict[str, Any]:
        """Plain values."""
        return {"rule": self.rule_id, "code": self.code, "date": self.date, "sentence": self.sentence}


def read_date_code(code: str, maker_id: str | None, lists: Lists) -> tuple[DateCodeMeaning, ...]:
    """What a code means: by the maker's own rules where it has one for it, else by those naming none.

    Where the maker is not known, every maker's rule for this code is given, and none of them is chosen.
    """
    key = write_number_key(code)
    fitting = [
        rule
        for rule in lists.date_code_rules.values()
        if key
        and write_number_key(rule.code) == key
        and (maker_id is None or rule.maker_id in (None, maker_id))
    ]
    if maker_id is not None and any(rule.maker_id == maker_id for rule in fitting):
        fitting = [rule for rule in fitting if rule.maker_id == maker_id]
    return tuple(_say_meaning(rule, lists) for rule in sorted(fitting, key=lambda rule: rule.id))


def _say_meaning(rule: DateCodeRule, lists: Lists) -> DateCodeMeaning:
    maker = lists.makers.get(rule.maker_id or "")
    whose = f" of {maker.name}" if maker else ""
    by = f" by {rule.source}" if rule.source else ", no source noted"
    sentence = f"The code {rule.code}{whose} stands for {say_edtf(rule.means)}{by}."
    return DateCodeMeaning(rule.id, rule.code, rule.means, sentence)


def find_date_code_faults(rules: Iterable[DateCodeRule], lists: Lists) -> tuple[str, ...]:
    """Every rule that cannot be used and every code given two dates by one maker, each in a sentence."""
    faults: list[str] = []
    grouped: dict[tuple[str | None, str], list[DateCodeRule]] = {}
    for rule in sorted(rules, key=lambda r: (r.code, r.id)):
        if not write_number_key(rule.code):
            faults.append(
                f"The code “{rule.code}” has no letter or digit; write it as it stands in the mark."
            )
        try:
            parse_edtf(rule.means)
        except DateRefused as refused:
            faults.append(f"The date of the code {rule.code} cannot be read. {refused}")
            continue
        grouped.setdefault((rule.maker_id, write_number_key(rule.code)), []).append(rule)
    for (maker_id, _), together in grouped.items():
        if len({parse_edtf(rule.means).spans for rule in together}) > 1:
            maker = lists.makers.get(maker_id or "")
            whose = f" of {maker.name}" if maker else ""
            dates = " and ".join(sorted({say_edtf(rule.means) for rule in together}))
            faults.append(
                f"The code {together[0].code}{whose} cannot stand for {dates}. Keep one rule; "
                f"if the code came back later, write the dates as a set, such as [1932,1942]."
            )
    return tuple(faults)
