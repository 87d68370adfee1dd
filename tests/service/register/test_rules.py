"""Rules that a user writes for decoration numbers and date codes, and the contradictions they may hold."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.register.date_codes import find_date_code_faults, read_date_code
from service.register.listed import DateCodeRule, Distributor, Line, Maker, NumberRule
from service.register.number_rules import find_number_rule_faults, read_number, split_number
from service.register.sightings import Lists


def lists_with(*rules: NumberRule | DateCodeRule) -> Lists:
    return Lists(
        makers={"v": Maker("v", "Velderby Works"), "w": Maker("w", "Wexcombe Pottery")},
        lines={
            "osmer": Line("osmer", "Osmer", "v"),
            "brindlow": Line("brindlow", "Brindlow", "v"),
            "corrick": Line("corrick", "Corrick", "w"),
        },
        distributors={"h": Distributor("h", "Harrow and Sons")},
        number_rules={rule.id: rule for rule in rules if isinstance(rule, NumberRule)},
        date_code_rules={rule.id: rule for rule in rules if isinstance(rule, DateCodeRule)},
    )


OS = NumberRule("1", "OS", "v", line_id="osmer", source="pattern book 1934")
OSB = NumberRule("2", "OSB", "v", line_id="brindlow")
OTHER_OS = NumberRule("3", "OS", "w", line_id="corrick")
HARROW = NumberRule("4", "OS", "v", distributor_id="h")


def test_a_prefix_gives_line_and_distributor_with_its_source() -> None:
    (meaning,) = read_number("os 114", "v", lists_with(OS, HARROW))
    assert (meaning.line_id, meaning.distributor_id) == ("osmer", "h")
    assert "Osmer" in meaning.sentence and "pattern book 1934" in meaning.sentence


def test_the_longest_prefix_decides_and_letters_are_not_cut() -> None:
    lists = lists_with(OS, OSB, NumberRule("5", "O", "v", line_id="brindlow"))
    assert [m.line_id for m in read_number("OSB-7", "v", lists)] == ["brindlow"]
    assert [m.line_id for m in read_number("OS-7", "v", lists)] == ["osmer"]
    assert read_number("OSX-7", "v", lists) == ()


def test_a_number_of_two_makers_has_two_meanings_until_the_maker_is_known() -> None:
    lists = lists_with(OS, OTHER_OS)
    assert {m.line_id for m in read_number("OS-114", None, lists)} == {"osmer", "corrick"}
    assert [m.line_id for m in read_number("OS-114", "w", lists)] == ["corrick"]


@pytest.mark.parametrize(
    ("rules", "words"),
    [
        ((OS, NumberRule("9", "os-", "v", line_id="brindlow")), "two lines: Brindlow and Osmer"),
        ((NumberRule("9", "OS", "v"),), "no line and no distributor"),
        ((NumberRule("9", "OS", "w", line_id="osmer"),), "line of Velderby Works"),
        ((NumberRule("9", "--", "v", line_id="osmer"),), "no letter or digit"),
    ],
)
def test_contradictory_and_empty_rules_are_reported(rules: tuple[NumberRule, ...], words: str) -> None:
    (fault,) = find_number_rule_faults(rules, lists_with(*rules))
    assert words in fault


def test_rules_that_agree_or_belong_to_two_makers_are_fine() -> None:
    rules = (OS, OSB, OTHER_OS, HARROW)
    assert find_number_rule_faults(rules, lists_with(*rules)) == ()


def test_a_date_code_is_read_with_its_source() -> None:
    lists = lists_with(DateCodeRule("1", "K", "1936", "v", "works notebook"))
    (meaning,) = read_date_code("k.", "v", lists)
    assert meaning.date == "1936" and "works notebook" in meaning.sentence


@pytest.mark.parametrize(
    ("rules", "words"),
    [
        ((DateCodeRule("1", "K", "1936", "v"), DateCodeRule("2", "k", "1937", "v")), "1936 and 1937"),
        ((DateCodeRule("1", "K", "193u", "v"),), "193X"),
        ((DateCodeRule("1", "*", "1936", "v"),), "no letter or digit"),
    ],
)
def test_contradictory_date_codes_are_reported(rules: tuple[DateCodeRule, ...], words: str) -> None:
    (fault,) = find_date_code_faults(rules, lists_with(*rules))
    assert words in fault


def test_one_code_may_mean_two_dates_when_written_as_a_set_or_for_two_makers() -> None:
    rules = (DateCodeRule("1", "K", "[1932,1942]", "v"), DateCodeRule("2", "K", "1921", "w"))
    assert find_date_code_faults(rules, lists_with(*rules)) == ()


@settings(deadline=None)
@given(st.text(max_size=20))
def test_any_text_can_be_taken_apart_and_its_key_is_stable(text: str) -> None:
    number = split_number(text)
    assert split_number(number.key).key == number.key
    meanings = [len(read_number(form, "v", lists_with(OS))) for form in (text, number.key)]
    assert meanings[0] == meanings[1]
