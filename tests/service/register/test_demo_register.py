"""The demo register: enough to look at, exactly the planted oddities, in and out with one command each."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import pytest

from service.errors import RecordConflict
from service.register.adding import put_new
from service.register.demo_data import LINES, MOTIFS
from service.register.demo_register import load_demo, remove_demo
from service.register.draft import Draft
from service.register.register_actions import Register
from service.store import Store, open_store


@pytest.fixture()
def store(tmp_path: Path) -> Iterator[Store]:
    opened = open_store(tmp_path / "data")
    yield opened
    opened.close()


def count_records(store: Store) -> int:
    with store.looking() as tx:
        wanted = "SELECT count(*) FROM register_record WHERE removed_at IS NULL"
        return int(tx.exec_driver_sql(wanted).scalar())


def test_it_has_enough_pieces_lines_motifs_and_both_metals(store: Store) -> None:
    with store.writing() as tx:
        pieces, _ = load_demo(tx, "test")
    with store.looking() as tx:
        seen = tx.exec_driver_sql("SELECT DISTINCT line_id, motif_id, metal FROM register_sighting").all()
    assert pieces >= 150
    assert len({line for line, _, _ in seen if line}) == len(LINES) == 4
    assert len({motif for _, motif, _ in seen if motif}) == len(MOTIFS) >= 12
    assert {metal for _, _, metal in seen if metal} == {"gold", "platinum"}


def test_the_conflicts_are_those_planted_and_no_others(store: Store) -> None:
    with store.writing() as tx:
        load_demo(tx, "test")
    found = Register(store, "test").list_conflicts()["items"]
    assert Counter(c["kind"] for c in found) == {
        "date outside the line's years": 1,
        "evidence clashes": 1,
        "one number, two motifs": 1,
        "metal against the register": 1,
        "may be a marriage": 1,
    }


def test_it_goes_and_leaves_what_a_person_added(store: Store) -> None:
    before = count_records(store)
    with store.writing() as tx:
        load_demo(tx, "test")
        draft = Draft(tx, "test")
        piece = {"number": "mine", "piece_kind": "cup", "decorations": [{"motif": "Marram"}]}
        put_new(draft, "piece", piece, new_names=False)
        draft.finish("add")
    with pytest.raises(RecordConflict, match="--remove"), store.writing() as tx:
        load_demo(tx, "test")
    with store.writing() as tx:
        assert remove_demo(tx, "test") is not None
    left = count_records(store) - before
    assert left == 3, "the piece, its decoration, and the motif that it shows"
    with store.writing() as tx:
        assert load_demo(tx, "test")[0] >= 150, "it can come back"


def test_every_view_has_something_to_show(store: Store) -> None:
    with store.writing() as tx:
        load_demo(tx, "test")
    register = Register(store, "test")
    for name in (
        "list_overlaps",
        "list_news",
        "list_conflicts",
        "list_wants",
        "list_duplicates",
        "list_partners",
    ):
        assert getattr(register, name)()["items"], name
    assert "<svg" in str(register.draw_grid())
    assert "<svg" in str(register.draw_timeline())


def test_by_command_the_pieces_have_the_demo_gallerys_photos(rimlight, tmp_path: Path) -> None:
    home = ("--data", tmp_path / "home")
    came = rimlight("demo", *home)
    assert came.returncode == 0, came.stderr
    listed = json.loads(rimlight("register", "list", "piece", "--json", *home).stdout)
    assert listed["total"] >= 150
    pieces = [piece for piece in listed["items"] if piece["photos"]]
    assert pieces
    assert "gone" in rimlight("demo", "--remove", *home).stdout
    assert rimlight("demo", "--remove", *home).stdout.startswith("There is no demo")
