"""Undo of any change puts the register back exactly; what is drawn out of records always fits them."""

from __future__ import annotations

import json
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa
from hypothesis import given, settings
from hypothesis import strategies as st

from service import ledger
from service.errors import NothingToUndo, RecordConflict, RecordError, ServiceError
from service.register import tables
from service.register.drawn_out import draw_all_out
from service.register.register_actions import Register
from service.store import Store, open_store

DRAWN = (tables.link, tables.name, tables.text, tables.sighting)
LEFT_OUT = {"stamp"}  # when a row was drawn, not what it says


@contextmanager
def opened() -> Iterator[tuple[Store, Register]]:
    with tempfile.TemporaryDirectory() as folder:
        store = open_store(Path(folder) / "data")
        try:
            yield store, Register(store, "test")
        finally:
            store.close()


def present(store: Store) -> dict[str, Any]:
    """Every present record as it is told by the database."""
    with store.looking() as tx:
        rows = tx.execute(sa.select(tables.record).where(tables.record.c.removed_at.is_(None)))
        return {row.id: (row.kind, json.loads(row.body)) for row in rows}


def drawn(store: Store) -> dict[str, list[Any]]:
    found = {}
    with store.looking() as tx:
        for table in DRAWN:
            columns = [column for column in table.c if column.name not in LEFT_OUT]
            found[table.name] = sorted(map(repr, tx.execute(sa.select(*columns))))
    return found


def check_drawn(store: Store) -> None:
    before = drawn(store)
    with store.writing() as tx:
        draw_all_out(tx)
    assert drawn(store) == before


def fill(desk: Register) -> None:
    desk.add_record("maker", {"name": "Velderby Works"})
    desk.add_record("line", {"name": "Osmer", "maker": "Velderby Works", "years": "1932/1937"})
    desk.add_record("line", {"name": "Brindlow", "maker": "Velderby Works"})
    for name in ("Quern Leaf", "Tidewrack"):
        desk.add_record("motif", {"name": name})
    desk.add_record("date_code_rule", {"code": "K", "means": "1935"})
    for number, motif, metal in (("1", "Quern Leaf", "gold"), ("2", "Tidewrack", "platinum")):
        decoration = {"motif": motif, "metal": metal, "number": f"OS-{number}"}
        piece = {"number": number, "piece_kind": "cup", "line": "Osmer", "decorations": [decoration]}
        desk.add_record("piece", piece | {"marks": [{"transcription": "VEL[...]", "date_code": "K"}]})


NUMBERS = st.sampled_from(["1", "2", "3", "4"])
METALS = st.sampled_from(["gold", "silver", None])
MOTIFS = st.sampled_from(["Quern Leaf", "Tidewrack", "Marram"])
DATES = st.sampled_from(["1934", "1933/1936", "1940~", "[..1941]", "1935-13", None])
STEPS = st.one_of(
    st.tuples(st.just("add"), NUMBERS, MOTIFS, METALS),
    st.tuples(st.just("correct"), NUMBERS, NUMBERS, st.sampled_from(["Osmer", "Brindlow", None])),
    st.tuples(st.just("remove"), st.sampled_from(["piece 1", "piece 3", "line Osmer", "motif Tidewrack"])),
    st.tuples(st.just("evidence"), st.sampled_from(["piece 1", "piece 2", "line Osmer"]), DATES),
    st.tuples(st.just("rule"), st.sampled_from(["1935", "1936", "19XX", "1930/1929"])),
    st.tuples(st.just("merge"), NUMBERS, NUMBERS),
    st.tuples(st.just("apart"), NUMBERS, NUMBERS),
)


def do(desk: Register, step: tuple[Any, ...]) -> str | None:
    """One change; None where it is refused, or changes nothing."""
    what, *rest = step
    try:
        if what == "add":
            number, motif, metal = rest
            decoration = {"motif": motif, "metal": metal}
            piece = {"number": number, "piece_kind": "plate", "decorations": [decoration]}
            return desk.add_record("piece", piece, new_names=True)["change"]
        if what == "correct":
            return desk.correct_record("piece", rest[0], {"number": rest[1], "line": rest[2]})["change"]
        if what == "remove":
            return desk.remove_record(*rest[0].split(" ", 1))["change"]
        if what == "evidence":
            evidence = {"about": rest[0], "kind": "mark", "citation": "seen", "date": rest[1]}
            return desk.add_record("evidence", evidence)["change"]
        if what == "rule":
            rules = desk.list_records("date_code_rule")["items"]
            return desk.correct_record("date_code_rule", rules[0]["id"], {"means": rest[0]})["change"]
        asked = desk.merge_pieces if what == "merge" else desk.refuse_merge
        return asked(rest[0], rest[1])["change"]
    except ServiceError as refusal:
        assert str(refusal)
        return None


@settings(max_examples=15, deadline=None)
@given(steps=st.lists(STEPS, min_size=1, max_size=6))
def test_undoing_every_change_backwards_is_as_if_nothing_had_been_done(steps: list[tuple[Any, ...]]) -> None:
    with opened() as (store, desk):
        fill(desk)
        states = [(present(store), drawn(store))]
        changes = []
        for step in steps:
            change = do(desk, step)
            if change is None:
                assert (present(store), drawn(store)) == states[-1], "a refused change left something"
            else:
                changes.append(change)
                states.append((present(store), drawn(store)))
        check_drawn(store)
        for change in reversed(changes):
            assert (present(store), drawn(store)) == states.pop()
            with store.writing() as tx:
                ledger.undo(tx, change, "test")
        assert (present(store), drawn(store)) == states.pop()


def test_a_change_of_many_records_is_one_line_of_the_log_and_one_undo() -> None:
    with opened() as (store, desk):
        fill(desk)
        before = present(store)
        gone = desk.remove_record("piece", "1")
        assert len(before) - len(present(store)) == 3  # the piece, its decoration and its mark
        entry = desk.list_changes()["items"][0]
        assert entry["change"] == gone["change"]
        assert entry["action"] == "remove piece"
        assert entry["who"] == "test"
        assert len(entry["records"]) == 3
        with store.writing() as tx:
            ledger.undo(tx, None, "test")
        assert present(store) == before
        assert desk.list_changes()["items"][1]["undone_by"] == desk.list_changes()["items"][0]["change"]


def test_a_change_that_others_were_built_on_is_not_undone_before_them() -> None:
    with opened() as (store, desk):
        fill(desk)
        line = desk.add_record("line", {"name": "Corrick"})["change"]
        desk.correct_record("piece", "1", {"line": "Corrick"})
        before = present(store)
        with pytest.raises(NothingToUndo, match="still used by 1 piece"), store.writing() as tx:
            ledger.undo(tx, line, "test")
        moved = desk.correct_record("piece", "2", {"number": "7"})["change"]
        desk.add_record("piece", {"number": "2", "piece_kind": "cup"})
        with pytest.raises(NothingToUndo, match="taken by another piece"), store.writing() as tx:
            ledger.undo(tx, moved, "test")
        assert before.keys() < present(store).keys()


def test_a_later_change_of_the_same_record_stands_in_the_way() -> None:
    with opened() as (store, desk):
        fill(desk)
        first = desk.correct_record("piece", "1", {"kept_at": "cellar"})["change"]
        second = desk.correct_record("piece", "1", {"kept_at": "attic"})["change"]
        with pytest.raises(NothingToUndo, match="changed again"), store.writing() as tx:
            ledger.undo(tx, first, "test")
        with store.writing() as tx:
            ledger.undo(tx, second, "test")
        with store.writing() as tx:
            ledger.undo(tx, first, "test")
        assert desk.show_record("piece", "1")["kept_at"] is None


def test_two_pieces_may_swap_their_numbers_only_in_one_change() -> None:
    with opened() as (_, desk):
        fill(desk)
        with pytest.raises(RecordError, match="taken by another piece"):
            desk.correct_record("piece", "1", {"number": "2"})


def test_a_merge_moves_everything_and_one_undo_takes_it_back() -> None:
    with opened() as (store, desk):
        fill(desk)
        desk.add_record("evidence", {"about": "piece 2", "kind": "told", "citation": "a neighbour"})
        desk.add_record("piece", {"number": "3", "piece_kind": "saucer", "goes_with": ["2"], "note": "chip"})
        desk.correct_record("piece", "2", {"kept_at": "cellar", "private": {"price": "4"}})
        before = present(store)
        merged = desk.merge_pieces("1", "2")
        assert merged["differences"] == {"number": ["1", "2"]}
        kept = desk.show_record("piece", "1", with_private=True)
        assert kept["kept_at"] == "cellar"
        assert kept["private"]["price"] == "4"
        assert {seen["motif"] for seen in kept["decorations"]} == {"Quern Leaf", "Tidewrack"}
        assert [mark["transcription"] for mark in kept["marks"]] == ["VEL[...]"]
        assert [e["citation"] for e in kept["evidence"]] == ["a neighbour"]
        assert desk.show_record("piece", "3")["goes_with"] == [kept["id"]]
        assert desk.find_records("2", kinds=("piece",))["items"][0]["label"] == "1"  # found by its old number
        check_drawn(store)
        with store.writing() as tx:
            ledger.undo(tx, None, "test")
        assert present(store) == before


def test_what_is_private_of_both_is_kept_and_notes_too_long_together_are_refused() -> None:
    with opened() as (store, desk):
        private = ({"price": "4"}, {"price": "5", "seller": "a stall"})
        for number, told in enumerate(private, start=1):
            body = {"number": str(number), "piece_kind": "cup", "private": told, "note": str(number) * 3000}
            desk.add_record("piece", body)
        before = present(store)
        with pytest.raises(RecordError, match="note: at most 4000"):
            desk.merge_pieces("1", "2")
        assert present(store) == before
        desk.correct_record("piece", "2", {"note": "short"})
        desk.merge_pieces("1", "2")
        kept = desk.show_record("piece", "1", with_private=True)["private"]
        assert (kept["price"], kept["seller"]) == ("4", "a stall")
        assert desk.correct_record("piece", "1", {"grade": "good"})["record"]["grade"] == "good"


def test_a_refused_merge_is_remembered_until_the_refusal_is_taken_back() -> None:
    with opened() as (store, desk):
        fill(desk)
        refusal = desk.refuse_merge("1", "2", "another potter's hand")
        assert desk.refuse_merge("2", "1")["kept_apart"] == refusal["kept_apart"]
        with pytest.raises(RecordConflict, match="refused before"):
            desk.merge_pieces("2", "1")
        with store.writing() as tx:
            ledger.undo(tx, refusal["change"], "test")
        assert desk.merge_pieces("2", "1")["change"]


def test_an_undo_can_be_taken_back_and_the_change_undone_again() -> None:
    with opened() as (store, desk):
        fill(desk)
        change = desk.correct_record("piece", "1", {"kept_at": "cellar"})["change"]

        def undo(change_id: str | None) -> str:
            with store.writing() as tx:
                return str(ledger.undo(tx, change_id, "test")["change"])

        def kept_at() -> str | None:
            return desk.show_record("piece", "1")["kept_at"]

        first = undo(change)
        assert kept_at() is None
        with pytest.raises(NothingToUndo, match="undone already"):
            undo(change)
        undo(first)
        assert kept_at() == "cellar"
        undo(change)
        assert kept_at() is None
        undo(undo(first))  # done again, then the last that is in effect
        assert kept_at() is None
