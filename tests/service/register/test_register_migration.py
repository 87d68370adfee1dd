"""A gallery of the first release gets its register: nothing that was there changes, and undo still works."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import pytest

from service import items, ledger, store
from service.kept import Crop, NewReading
from service.migrations import MIGRATIONS
from service.register.register_actions import Register

OLD_TABLES = ("photo", "reading", "vector", "motif", "gallery_item", "answer")


def make_old_gallery(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A database as the first release left it: its one migration, a photo, an item and a line in the log."""
    with monkeypatch.context() as patched:
        patched.setattr(store, "MIGRATIONS", {1: MIGRATIONS[1]})
        old = store.open_store(folder)
        crop = Crop((0.0, 1.0, 2.0, 3.0), 0.25, False, 0.5, bytes(16))
        photo = {"width": 4, "height": 3, "sha256": "0" * 64, "taken_at": None}
        new = NewReading({"id": "r", "photo": photo}, 10, b"photo", "jpg", b"png", "recipe", (crop,))
        files = old.keep_files(new)
        with old.writing() as tx:
            old.insert_reading(tx, new, files)
            items.insert_item(tx, "r", "Marram", {"metal": "gold"}, None)
            tx.exec_driver_sql(
                "INSERT INTO change (id, at, who, action, item_id, before, after) SELECT 'old', "
                "'2026-01-01T00:00:00Z', 'page', 'add', id, 'null', "
                """json_object('motif_id', motif_id, 'variant', NULL, 'metal', metal, 'state', NULL,
                'maker', NULL, 'line', NULL, 'decoration_number', NULL, 'piece', NULL, 'note', NULL,
                'present', json('true')) FROM gallery_item"""
            )
        old.close()


def dump(folder: Path) -> dict[str, list[tuple[object, ...]]]:
    connection = sqlite3.connect(folder / "rimlight.sqlite3")
    held = {name: connection.execute(f"SELECT * FROM {name}").fetchall() for name in OLD_TABLES}
    connection.close()
    return held


def test_an_old_gallery_is_brought_up_with_all_that_it_holds(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = tmp_path / "data"
    make_old_gallery(folder, monkeypatch)
    before = dump(folder)
    assert len(before["gallery_item"]) == 1
    brought_up = store.open_store(folder)
    try:
        assert dump(folder) == before
        desk = Register(brought_up, "test")
        desk.add_record("piece", {"number": "1", "piece_kind": "cup"})
        with brought_up.writing() as tx:
            undone = ledger.undo(tx, "old", "test")
        assert undone["undone"]["action"] == "add"
        assert undone["in_gallery"] is False
        with brought_up.writing() as tx:
            assert ledger.undo(tx, None, "test")["undone"]["action"] == "register add piece"
    finally:
        brought_up.close()
    connection = sqlite3.connect(folder / "rimlight.sqlite3")
    assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    assert connection.execute("PRAGMA foreign_key_check").fetchall() == []
    connection.close()


def test_the_tables_described_are_the_tables_made(tmp_path: Path) -> None:
    from service.register import tables

    opened = store.open_store(tmp_path / "data")
    try:
        with opened.looking() as tx:
            for table in (
                tables.record,
                tables.touch,
                tables.link,
                tables.photo,
                tables.name,
                tables.text,
                tables.sighting,
            ):
                made = tx.exec_driver_sql(f"PRAGMA table_info({table.name})").all()
                assert {row[1]: bool(row[3]) for row in made if not row[5]} == {
                    c.name: not c.nullable for c in table.c if not c.primary_key
                }
    finally:
        opened.close()


def test_a_change_to_the_register_alone_leaves_the_packed_gallery_as_it_is(tmp_path: Path) -> None:
    opened = store.open_store(tmp_path / "data")
    try:
        with opened.looking() as tx:
            before = items.gallery_version(tx)
        Register(opened, "test").add_record("piece", {"number": "1", "piece_kind": "cup"})
        with opened.looking() as tx:
            assert items.gallery_version(tx) == before
    finally:
        opened.close()
