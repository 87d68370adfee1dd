"""Records in and out: every field checked, every fault told at once, nothing changed by what is refused."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextvars import copy_context
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.caller import Caller, set_caller
from service.errors import NotAllowed, NotFound, RecordError
from service.register.described import describe_kinds
from service.register.forms import full_json, load_record, read_record, record_body
from service.register.records import KINDS
from service.register.register_actions import Register
from service.store import open_store

PIECE = {
    "number": "12",
    "piece_kind": "dinner plate",
    "count": 2,
    "measurements": [{"what": "diameter", "mm": 254, "low_mm": 250.5, "high_mm": 257}],
    "defects": [{"kind": "chip", "place": "rim, 4 o'clock", "size_mm": 2.5}],
    "wear": [{"clock": 12, "score": 0}, {"clock": 3, "score": 4}],
    "private": {"price": "4.50", "bought": "1998~"},
}


@pytest.fixture()
def desk(tmp_path: Path) -> Iterator[Register]:
    store = open_store(tmp_path / "data")
    yield Register(store, "test")
    store.close()


def test_a_record_comes_back_from_its_stored_form() -> None:
    piece = read_record("piece", "p", PIECE)
    assert load_record("piece", "p", record_body(piece)) == piece
    assert set(record_body(piece)) == set(PIECE)  # what is not said is not stored
    assert "private" not in full_json(piece)
    assert full_json(piece, with_private=True)["private"]["price"] == "4.50"


def test_silver_is_taken_as_platinum_and_blank_texts_as_not_said() -> None:
    decoration = read_record("decoration", "d", {"piece_id": "p", "metal": " Silver ", "variant": "  "})
    assert record_body(decoration) == {"piece_id": "p", "metal": "platinum"}


def test_every_fault_of_a_record_is_told_at_once() -> None:
    wrong = {"number": 7, "count": "two", "owned": "yes", "wear": [{"clock": "x"}], "colour": "red"}
    with pytest.raises(RecordError) as refused:
        read_record("piece", "p", wrong)
    fields = {fault.split(":")[0] for fault in refused.value.faults}
    assert fields == {"number", "piece_kind", "count", "owned", "wear[0].clock", "wear[0].score", "colour"}


@pytest.mark.parametrize(
    "value",
    ["a\x00b", "a\ud800b", "x" * 201, ["a"], {"a": 1}, 1.5, True],
)
def test_a_text_that_cannot_be_kept_is_refused(value: object) -> None:
    with pytest.raises(RecordError, match="title"):
        read_record("piece", "p", {"number": "1", "piece_kind": "cup", "title": value})


json_values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3),
    max_leaves=8,
)


@given(
    kind=st.sampled_from(sorted(KINDS)),
    given_=st.dictionaries(
        st.sampled_from(sorted({name for cls in KINDS.values() for name in cls.__dataclass_fields__})),
        json_values,
        max_size=6,
    ),
)
def test_anything_sent_is_either_a_record_or_a_clear_refusal(kind: str, given_: dict[str, Any]) -> None:
    try:
        record = read_record(kind, "r", given_)
    except RecordError as refused:
        assert all(": " in fault for fault in refused.faults)
    else:
        assert load_record(kind, "r", record_body(record)) == record


Act = Callable[[Register], object]
REFUSED: dict[str, tuple[Act, str]] = {
    "an impossible date": (
        lambda d: d.add_record("line", {"name": "Corrick", "years": "1935-13"}),
        "no month 13",
    ),
    "the syntax of 2012": (lambda d: d.add_record("line", {"name": "Corrick", "years": "199u"}), "199X"),
    "a run that ends before it begins": (
        lambda d: d.correct_record("line", "Osmer", {"years": "1937/1932"}),
        "ends before",
    ),
    "an unknown motif": (
        lambda d: d.add_record(
            "piece", {"number": "9", "piece_kind": "cup", "decorations": [{"motif": "Quern Laef"}]}
        ),
        "Did you mean 'quern leaf'",
    ),
    "a duplicate number": (
        lambda d: d.add_record("piece", {"number": " 12 ", "piece_kind": "cup"}),
        "taken by another piece",
    ),
    "a duplicate number by correction": (
        lambda d: d.correct_record("piece", "13", {"number": "12"}),
        "taken by another piece",
    ),
    "a name that is another's alias": (
        lambda d: d.add_record("motif", {"name": "Wheel"}),
        "name or an alias of another motif",
    ),
    "contradictory number rules": (
        lambda d: d.add_record(
            "number_rule", {"prefix": "OS", "maker": "Velderby Works", "line": "Brindlow"}
        ),
        "cannot stand for two lines",
    ),
    "contradictory date codes": (
        lambda d: d.add_record("date_code_rule", {"code": "K", "means": "1941"}),
        "cannot stand for",
    ),
    "a wear score out of range": (
        lambda d: d.correct_record("piece", "12", {"wear": [{"clock": 13, "score": 1}]}),
        "clock position is 1 to 12",
    ),
    "a size outside its error bar": (
        lambda d: d.correct_record(
            "piece", "12", {"measurements": [{"what": "diameter", "mm": 254, "low_mm": 255}]}
        ),
        "outside its own error bar",
    ),
    "an opinion on evidence that is not there": (
        lambda d: d.add_record(
            "opinion",
            {"about": "piece 12", "what": "early", "who": "me", "when": "2026", "evidence_ids": ["x"]},
        ),
        "there is no evidence",
    ),
    "a photo that is not there": (
        lambda d: d.correct_record("piece", "12", {"photos": [{"reading_id": "x"}]}),
        "read the photo first",
    ),
    "a line that is still used": (lambda d: d.remove_record("line", "Osmer"), "still used by"),
    "a piece that goes with itself": (
        lambda d: d.correct_record("piece", "12", {"goes_with": ["12"]}),
        "cannot point to itself",
    ),
    "an unknown kind": (lambda d: d.add_record("vase", {"name": "x"}), "expected one of piece"),
    "a record that is not there": (lambda d: d.correct_record("piece", "99", {"title": "x"}), "no piece"),
}


@pytest.mark.parametrize("case", sorted(REFUSED))
def test_bad_input_is_told_and_changes_nothing(desk: Register, case: str, digest: Callable) -> None:
    fill(desk)
    act, said = REFUSED[case]
    before = digest(desk.store.folder)
    with pytest.raises((RecordError, NotFound), match=said):
        act(desk)
    assert digest(desk.store.folder) == before


def fill(desk: Register) -> None:
    desk.add_record("maker", {"name": "Velderby Works"})
    for name in ("Osmer", "Brindlow"):
        desk.add_record("line", {"name": name, "maker": "Velderby Works", "years": "1932/1937"})
    desk.add_record("motif", {"name": "Quern Leaf", "aliases": ["Wheel"]})
    desk.add_record("number_rule", {"prefix": "os", "maker": "Velderby Works", "line": "Osmer"})
    desk.add_record("date_code_rule", {"code": "k", "means": "1935"})
    decoration = {"motif": "Wheel", "metal": "gold"}
    desk.add_record("piece", {**PIECE, "line": "Osmer", "decorations": [decoration]})
    desk.add_record("piece", {"number": "13", "piece_kind": "cup"})


def test_two_makers_may_each_have_a_line_of_one_name(desk: Register) -> None:
    fill(desk)
    desk.add_record("maker", {"name": "Another Works"})
    desk.add_record("line", {"name": "Osmer", "maker": "Another Works"})
    with pytest.raises(RecordError, match="2 are called"):
        desk.add_record("piece", {"number": "20", "piece_kind": "cup", "line": "Osmer"})
    piece = {"number": "20", "piece_kind": "cup", "line": "Osmer", "maker": "Another Works"}
    assert desk.add_record("piece", piece)["record"]["maker"] == "Another Works"


def test_unknown_names_join_the_lists_only_where_asked(desk: Register) -> None:
    fill(desk)
    piece = {"number": "20", "piece_kind": "cup", "line": "Corrick", "decorations": [{"motif": "Marram"}]}
    added = desk.add_record("piece", piece, new_names=True)
    assert added["record"]["line"] == "Corrick"
    assert desk.show_record("motif", "marram")["name"] == "Marram"
    assert desk.list_changes()["items"][0]["change"] == added["change"]
    assert len(desk.list_changes()["items"][0]["records"]) == 4  # piece, decoration, line, motif


@pytest.mark.parametrize("name", ["x" * 201, "bell\x07", "half \ud800", " \n "])
def test_a_name_that_no_list_may_hold_does_not_join_one(desk: Register, name: str, digest: Callable) -> None:
    before = digest(desk.store.folder)
    piece = {"number": "9", "piece_kind": "cup", "maker": name, "decorations": [{"motif": name}]}
    with pytest.raises(RecordError) as refused:
        desk.add_record("piece", piece, new_names=True)
    assert [fault.split(" name:")[0] for fault in refused.value.faults] == ["maker:", "decorations[0].motif:"]
    with pytest.raises(RecordError, match="name:"):
        desk.add_record("motif", {"name": name})
    with pytest.raises(NotFound):
        desk.merge_pieces("half \ud800", "9")
    assert digest(desk.store.folder) == before


def test_one_new_name_said_twice_in_a_piece_joins_the_list_once(desk: Register) -> None:
    marks = [{"transcription": "VELD[...]", "maker": "velderby  works"}]
    piece = {"number": "9", "piece_kind": "cup", "maker": "Velderby Works", "marks": marks}
    desk.add_record("piece", piece, new_names=True)
    shown = desk.show_record("piece", "9")
    assert shown["marks"][0]["maker_id"] == shown["maker_id"]
    assert [maker["name"] for maker in desk.list_records("maker")["items"]] == ["Velderby Works"]


def test_the_bracket_of_a_piece_follows_its_evidence(desk: Register) -> None:
    fill(desk)
    assert desk.show_record("piece", "12")["bracket"]["edtf"] == "[1932..1937]"
    evidence = {"about": "piece 12", "kind": "advertisement", "citation": "Trade paper", "date": "1936"}
    desk.add_record("evidence", evidence | {"bearing": "not before"})
    assert desk.show_record("piece", "12")["bracket"]["edtf"] == "[1936..1937]"
    desk.add_record("mark", {"piece": "12", "transcription": "VEL K", "date_code": "K"})
    bracket = desk.show_record("piece", "12")["bracket"]
    assert bracket["status"] == "conflict"
    assert "Trade paper" in bracket["sentence"]
    assert desk.list_conflicts()["items"][0]["kind"] == "evidence clashes"


def test_removing_a_piece_takes_what_hangs_on_it(desk: Register) -> None:
    fill(desk)
    desk.add_record("evidence", {"about": "piece 12", "kind": "told", "citation": "a neighbour"})
    desk.remove_record("piece", "12")
    for kind in ("decoration", "mark", "evidence"):
        assert desk.list_records(kind)["total"] == 0
    assert desk.show_grid()["pieces"] == 1


def test_every_kind_is_described_with_its_fields() -> None:
    kinds = describe_kinds()
    assert set(kinds) == set(KINDS)
    assert kinds["decoration"]["metal"] == {
        "type": "choice",
        "choices": ["gold", "platinum"],
        "required": False,
    }
    assert kinds["piece"]["number"]["required"] is True
    assert kinds["piece"]["line_id"]["names"] == "line"
    assert kinds["piece"]["wear"]["of"]["fields"]["clock"]["type"] == "whole number"


def test_a_paired_phone_sees_and_sets_nothing_private_and_the_log_names_it(desk: Register) -> None:
    fill(desk)

    def on_the_phone() -> None:
        set_caller({}, Caller("d1", "kitchen phone", is_owner=False))
        with pytest.raises(NotAllowed):
            desk.correct_record("piece", "12", {"private": {"price": "1"}})
        with pytest.raises(NotAllowed):
            desk.add_record("piece", {"number": "30", "piece_kind": "cup", "private": {"seller": "x"}})
        assert "private" not in desk.correct_record("piece", "12", {"kept_at": "cellar"})["record"]

    copy_context().run(on_the_phone)
    assert desk.list_changes()["items"][0]["who"] == "kitchen phone"
    assert desk.show_record("piece", "12", with_private=True)["private"]["price"] == "4.50"
