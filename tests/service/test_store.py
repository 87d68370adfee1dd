"""The store: durable files, append-only log, migrations, a second process, what it refuses."""

from __future__ import annotations

import os
import sqlite3
import subprocess
import sys
import time
from pathlib import Path

import pytest
import sqlalchemy as sa
from hypothesis import given, settings
from hypothesis import strategies as st

from service import items, ledger
from service.errors import KeyReused, NothingToUndo, StoreError
from service.files import LEFTOVER_AGE_S, FileFolder
from service.kept import Crop, NewReading
from service.store import Store, open_store


@pytest.fixture()
def store(tmp_path: Path):
    opened = open_store(tmp_path / "data")
    yield opened
    opened.close()


def make_reading(number: int = 0, vectors: int = 2, recipe: str | None = "r1") -> NewReading:
    facts = {
        "id": f"reading{number}",
        "photo": {"width": 4, "height": 3, "sha256": f"{number:064x}", "taken_at": None},
    }
    crop = Crop((0.0, 1.0, 2.0, 3.0), 0.25, True, 0.5, bytes([number]) * 16)
    return NewReading(facts, 10, b"photo %d" % number, "jpg", b"png", recipe, (crop,) * vectors)


def keep(store: Store, number: int = 0, motif: str = "Marram", **labels: str) -> tuple[str, str]:
    """Store a reading and an item; returns item and change."""
    new = make_reading(number)
    files = store.keep_files(new)
    with store.writing() as tx:
        store.insert_reading(tx, new, files)
        item = items.insert_item(tx, new.facts["id"], motif, labels, None)
        return item, ledger.log_change(tx, "test", "add", item, None)


def test_the_database_is_write_ahead_fully_synced_and_checks_references(store: Store) -> None:
    with store.looking() as tx:
        pragma = {
            name: tx.exec_driver_sql(f"PRAGMA {name}").scalar()
            for name in ("journal_mode", "synchronous", "foreign_keys")
        }
    assert pragma == {"journal_mode": "wal", "synchronous": 2, "foreign_keys": 1}
    with pytest.raises(sa.exc.IntegrityError), store.writing() as tx:
        items.insert_item(tx, "no such reading", "Marram", {}, None)


def test_a_failed_transaction_leaves_nothing(store: Store) -> None:
    with pytest.raises(ZeroDivisionError), store.writing() as tx:
        store.insert_reading(tx, make_reading(), ("a.jpg", None))
        raise ZeroDivisionError
    with store.looking() as tx:
        assert store.find_reading(tx, "reading0") is None


def test_each_vector_is_kept_with_recipe_rectangle_phase_mirror_and_weight(store: Store) -> None:
    keep(store)
    with store.looking() as tx:
        row = tx.exec_driver_sql("SELECT * FROM vector WHERE ordinal = 1").mappings().one()
    assert (row["recipe_id"], row["x0"], row["y0"], row["x1"], row["y1"]) == ("r1", 0, 1, 2, 3)
    assert (row["phase"], row["mirrored"], row["weight"]) == (0.25, 1, 0.5)


def test_the_packed_gallery_holds_present_items_of_the_recipe_in_order(store: Store) -> None:
    first, _ = keep(store, 1, "Marram")
    second, _ = keep(store, 2, "Tidewrack", variant="open")
    with store.looking() as tx:
        packed = items.pack_gallery(tx, "r1")
        assert items.pack_gallery(tx, "r2").photo_index == ()
    assert packed.photo_index == (0, 0, 1, 1)
    assert packed.numbers == b"\1" * 32 + b"\2" * 32
    assert packed.items == ((first, "marram", "Marram", None), (second, "tidewrack", "Tidewrack", "open"))
    with store.writing() as tx:
        items.update_item(tx, first, removed_at="now")
        before = items.gallery_version(tx)
        ledger.log_change(tx, "test", "delete", first, None)
        assert items.gallery_version(tx) > before
        assert items.pack_gallery(tx, "r1").photo_index == (0, 0)


def test_the_change_log_cannot_be_rewritten(store: Store) -> None:
    keep(store)
    for statement in ("UPDATE change SET who = 'x'", "DELETE FROM change"):
        with pytest.raises(sa.exc.IntegrityError, match="append only"), store.writing() as tx:
            tx.exec_driver_sql(statement)


def test_one_motif_however_it_is_typed(store: Store) -> None:
    with store.writing() as tx:
        ids = {
            items.find_motif(tx, name)
            for name in ("Quern Leaf", "quern  leaf", " QUERN LEAF ", "Ｑuern Leaf")
        }
        assert ids == {"quern-leaf"}
        other = items.find_motif(tx, "Quern-Leaf")
        assert other != "quern-leaf"
        assert items.find_motif(tx, "棕榈") != items.find_motif(tx, "海藻")


@settings(max_examples=25, deadline=None)
@given(steps=st.lists(st.sampled_from(["add", "delete", "correct", "undo"]), max_size=12))
def test_undoing_everything_gives_the_empty_gallery_back(
    steps: list[str], tmp_path_factory: pytest.TempPathFactory
) -> None:
    store = open_store(tmp_path_factory.mktemp("undo"))
    states: list[list] = []

    def present() -> list:
        with store.looking() as tx:
            rows, _ = items.list_items(tx, None, None, 0, 100)
            return sorted((r._mapping["id"], r._mapping["motif"], r._mapping["metal"]) for r in rows)

    for number, step in enumerate(steps):
        before = present()
        if step == "add":
            keep(store, number, f"motif {number}", metal="gold")
        elif step == "undo":
            if states:
                with store.writing() as tx:
                    ledger.undo(tx, None, "test")
                assert present() == states.pop()
            continue
        elif before:
            with store.writing() as tx:
                row = items.find_item(tx, before[0][0])
                values = (
                    {"removed_at": "now"} if step == "delete" else {"metal": "platinum", "note": str(number)}
                )
                items.update_item(tx, before[0][0], **values)
                ledger.log_change(tx, "test", step, before[0][0], items.snapshot(row))
        else:
            continue
        states.append(before)
    while states:
        with store.writing() as tx:
            ledger.undo(tx, None, "test")
        assert present() == states.pop()
    with pytest.raises(NothingToUndo), store.writing() as tx:
        ledger.undo(tx, None, "test")
    store.close()


def test_a_kept_answer_belongs_to_its_request(store: Store) -> None:
    with store.writing() as tx:
        ledger.keep_answer(tx, "k", "print", {"a": 1})
    with store.looking() as tx:
        assert ledger.find_answer(tx, "k", "print") == {"a": 1}
        assert ledger.find_answer(tx, "other", "print") is None
        with pytest.raises(KeyReused):
            ledger.find_answer(tx, "k", "another print")


def test_a_store_of_a_newer_program_is_refused_unchanged(tmp_path: Path) -> None:
    open_store(tmp_path).close()
    with sqlite3.connect(tmp_path / "rimlight.sqlite3") as connection:
        connection.execute("INSERT INTO applied_migration VALUES (999, 'later')")
        connection.execute("INSERT INTO applied_migration VALUES (998, 'later')")
    connection.close()
    with pytest.raises(StoreError, match="newer version"):
        open_store(tmp_path)


def test_a_database_file_of_noise_is_refused_in_words(tmp_path: Path) -> None:
    (tmp_path / "rimlight.sqlite3").write_bytes(os.urandom(8192))
    with pytest.raises(StoreError, match="damaged or not a gallery"):
        open_store(tmp_path)


def test_a_damaged_file_is_not_taken_for_the_photo(store: Store) -> None:
    name = store.photos.keep(b"the photo", "jpg")
    assert store.photos.read(name) == b"the photo"
    store.photos.path_of(name).write_bytes(b"the phot0")
    assert store.photos.read(name) is None
    store.photos.path_of(name).write_bytes(b"the pho")
    assert store.photos.keep(b"the photo", "jpg") == name
    assert store.photos.read(name) == b"the photo"


def test_leftovers_are_set_aside_and_those_of_a_living_process_left(store: Store) -> None:
    keep(store, 1)
    orphan = store.photos.keep(b"nobody's", "jpg")
    young, old = store.photos.incoming / "young.part", store.photos.incoming / "old.part"
    young.write_bytes(b"half")
    old.write_bytes(b"half")
    past = time.time() - LEFTOVER_AGE_S - 60
    for path in (*store.photos.folder.glob("*/*"), *store.strips.folder.glob("*/*")):
        if path != young:
            os.utime(path, (past, past))
    beside = open_store(store.folder)  # as another process would
    assert store.set_aside_leftovers() == sorted([orphan, "old.part"])
    assert young.exists()
    beside.close()
    assert store.set_aside_leftovers() == ["young.part"]  # nobody else is there: it is a dead one's
    assert (store.folder / "quarantine" / orphan).read_bytes() == b"nobody's"
    assert store.photos.read(store.keep_files(make_reading(1))[0]) == b"photo 1"


def test_a_leftover_that_is_uploaded_anew_is_no_leftover(store: Store) -> None:
    name = store.photos.keep(b"the photo", "jpg")
    past = time.time() - LEFTOVER_AGE_S - 60
    os.utime(store.photos.path_of(name), (past, past))
    store.photos.keep(b"the photo", "jpg")
    beside = open_store(store.folder)
    assert store.set_aside_leftovers() == []
    beside.close()


def test_a_full_disk_is_said_in_words(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(descriptor: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("service.files.os.fsync", full)
    with pytest.raises(StoreError, match="No space left"):
        FileFolder(tmp_path / "photos").keep(b"x", "jpg")
    assert not list((tmp_path / "photos" / "incoming").iterdir())


def test_a_photo_is_synced_before_its_row_commits(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    order: list[str] = []
    real = os.fsync
    monkeypatch.setattr("service.files.os.fsync", lambda d: (order.append("sync"), real(d)))
    new = make_reading()
    files = store.keep_files(new)
    with store.writing() as tx:
        assert order.count("sync") >= 4  # file and folder, of photo and strip
        store.insert_reading(tx, new, files)


SECOND = """
import sys
from pathlib import Path
from service.store import open_store
store = open_store(Path(sys.argv[1]))
for _ in range(40):
    with store.writing() as tx:
        count = int(store.folder_fact(tx, "count") or 0)
        store.set_folder_fact(tx, "count", str(count + 1))
store.close()
"""


def test_several_processes_share_a_folder_without_losing_a_change(tmp_path: Path) -> None:
    root = str(Path(__file__).resolve().parents[2])
    command = [sys.executable, "-c", SECOND, str(tmp_path / "data")]
    runs = [subprocess.Popen(command, cwd=root, stderr=subprocess.PIPE, text=True) for _ in range(3)]
    assert [run.communicate(timeout=120)[1] for run in runs] == [""] * 3
    store = open_store(tmp_path / "data")
    with store.looking() as tx:
        assert store.folder_fact(tx, "count") == "120"
    store.close()
