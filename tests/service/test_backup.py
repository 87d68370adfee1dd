"""Backups: made beside writers, verified, thinned out; restored after the worst; what is missing is named."""

from __future__ import annotations

import os
import sqlite3
import threading
import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service import items, ledger
from service.backup.automatic import back_up_if_due, keep_backed_up
from service.backup.backups import Backups
from service.backup.restore import restore_backup
from service.backup.rotation import DAYS, MONTHS, NEWEST, WEEKS, choose_kept
from service.errors import NotFound, StoreError
from service.kept import Crop, NewReading
from service.store import DATABASE_NAME, Store, open_store

MORNING = datetime(2026, 3, 2, 8, 0, tzinfo=UTC)


def quiet(steps, _total: int, _what: str):
    return steps


def add(store: Store, number: int) -> str:
    """One confirmed photo; returns its file."""
    facts = {
        "id": f"reading{number}",
        "photo": {"width": 4, "height": 3, "sha256": f"{number:064x}", "taken_at": None},
    }
    crop = Crop((0.0, 1.0, 2.0, 3.0), 0.25, True, 0.5, bytes([number]) * 16)
    new = NewReading(facts, 10, b"photo %d" % number, "jpg", b"strip %d" % number, "r1", (crop,))
    files = store.keep_files(new)
    with store.writing() as tx:
        store.insert_reading(tx, new, files)
        ledger.log_change(tx, "test", "add", items.insert_item(tx, facts["id"], "Marram", {}, None), None)
    return files[0]


@pytest.fixture()
def store(tmp_path: Path) -> Iterator[Store]:
    opened = open_store(tmp_path / "data")
    for number in range(3):
        add(opened, number)
    yield opened
    opened.close()


def count_items(folder: Path) -> int:
    store = open_store(folder)
    try:
        with store.looking() as tx:
            return items.count_gallery(tx)["items"]
    finally:
        store.close()


def test_a_backup_is_whole_and_photos_are_copied_once(store: Store) -> None:
    backups = Backups(store.folder)
    first = backups.make_backup(MORNING, quiet)
    copied = {p.name: p.stat().st_mtime_ns for p in backups.photos.folder.glob("*/*")}
    add(store, 3)
    second = backups.make_backup(MORNING + timedelta(hours=1), quiet)
    assert [b.name for b in backups.list_backups()] == ["20260302T080000Z", "20260302T090000Z"]
    for backup in (first, second):
        backups.verify(backup, quiet)
    after = {p.name: p.stat().st_mtime_ns for p in backups.photos.folder.glob("*/*")}
    assert len(copied) == 3
    assert len(after) == 4
    assert {name: after[name] for name in copied} == copied


def test_after_noise_over_the_database_everything_up_to_the_backup_is_there_and_the_rest_is_named(
    store: Store,
) -> None:
    backups = Backups(store.folder)
    backups.make_backup(MORNING, quiet)
    late = add(store, 3)
    store.close()
    database = store.folder / DATABASE_NAME
    size = database.stat().st_size
    noise = bytes((k * 37 + 11) % 256 for k in range(4096)) * (size // 4096 + 1)
    for path in store.folder.glob(f"{DATABASE_NAME}*"):
        path.write_bytes(noise[:size])
    restored = restore_backup(backups, backups.find_backup(None), quiet)
    assert restored.newer_photos == (late,)
    assert restored.newer_changes is None
    assert all((store.folder / name).is_file() for name in restored.set_aside)
    assert (store.folder / restored.set_aside[0]).read_bytes() == noise[:size]
    assert count_items(store.folder) == 3


def test_a_restore_names_the_changes_that_came_after(store: Store) -> None:
    backups = Backups(store.folder)
    backup = backups.make_backup(MORNING, quiet)
    add(store, 3)
    store.close()
    restored = restore_backup(backups, backup, quiet)
    assert restored.newer_changes is not None
    assert len(restored.newer_changes) == 1
    assert "add, by test" in restored.newer_changes[0]


def test_lost_and_damaged_photos_come_back(store: Store) -> None:
    backups = Backups(store.folder)
    backup = backups.make_backup(MORNING, quiet)
    store.close()
    lost, damaged, *_ = sorted(p for p in (store.folder / "photos").glob("*/*") if p.is_file())
    lost.unlink()
    damaged.write_bytes(b"noise")
    assert restore_backup(backups, backup, quiet).files_put_back == 2
    assert lost.is_file()
    assert damaged.read_bytes() != b"noise"


def test_a_backup_into_an_empty_place_brings_everything(store: Store, tmp_path: Path) -> None:
    there = tmp_path / "other disk"
    Backups(store.folder, there).make_backup(MORNING, quiet)
    fresh = Backups(tmp_path / "new home", there)
    assert restore_backup(fresh, fresh.find_backup(None), quiet).files_put_back == 6
    assert count_items(tmp_path / "new home") == 3


def test_no_backup_is_made_of_a_damaged_gallery_and_the_older_ones_stay(store: Store) -> None:
    backups = Backups(store.folder)
    first = backups.make_backup(MORNING, quiet)
    add(store, 3)
    newest = max((store.folder / "photos").glob("*/*"), key=lambda p: p.stat().st_mtime_ns)
    newest.unlink()
    with pytest.raises(StoreError, match="rimlight check"):
        backups.make_backup(MORNING + timedelta(days=1), quiet)
    assert [b.name for b in backups.list_backups()] == [first.name]
    assert not list(backups.folder.glob("*.part"))
    backups.verify(first, quiet)


def test_a_damaged_backup_is_not_restored_and_nothing_changes(store: Store) -> None:
    backups = Backups(store.folder)
    backup = backups.make_backup(MORNING, quiet)
    store.close()
    before = (store.folder / DATABASE_NAME).read_bytes()
    next(p for p in backups.photos.folder.glob("*/*") if p.is_file()).write_bytes(b"noise")
    with pytest.raises(StoreError, match="lacks 1 of its 6 files"):
        restore_backup(backups, backup, quiet)
    backup.path.write_bytes(b"noise" * 4000)
    with pytest.raises(StoreError, match="damaged"):
        restore_backup(backups, backup, quiet)
    assert (store.folder / DATABASE_NAME).read_bytes() == before


def test_a_folder_that_somebody_has_open_is_not_restored(store: Store) -> None:
    backups = Backups(store.folder)
    backup = backups.make_backup(MORNING, quiet)
    with pytest.raises(StoreError, match="stop it"):
        restore_backup(backups, backup, quiet)


def test_an_unknown_name_says_which_there_are(store: Store) -> None:
    backups = Backups(store.folder)
    with pytest.raises(NotFound, match="--from"):
        backups.find_backup(None)
    backups.make_backup(MORNING, quiet)
    with pytest.raises(NotFound, match="20260302T080000Z"):
        backups.find_backup("yesterday")


def test_old_backups_go_and_take_the_files_that_only_they_needed(store: Store) -> None:
    backups = Backups(store.folder)
    for day in range(40):
        backups.make_backup(MORNING + timedelta(days=day), quiet)
    stray = backups.photos.path_of("ab" * 32 + ".jpg")
    stray.parent.mkdir(parents=True, exist_ok=True)
    stray.write_bytes(b"of a backup that is gone")
    long_ago = time.time() - 7200
    os.utime(stray, (long_ago, long_ago))
    gone = backups.thin_out()
    left = backups.list_backups()
    assert len(gone) + len(left) == 40
    assert len(left) <= NEWEST + DAYS + WEEKS + MONTHS
    assert left[-1].made_at == MORNING + timedelta(days=39)
    assert not stray.exists()
    for backup in left:
        backups.verify(backup, quiet)


@given(st.lists(st.datetimes(datetime(2020, 1, 1), datetime(2027, 1, 1)), unique=True, max_size=80))
def test_thinning_out_keeps_the_newest_and_thins_no_further_when_repeated(times: list[datetime]) -> None:
    kept = choose_kept(times)
    assert kept <= set(times)
    assert set(sorted(times)[-NEWEST:]) <= kept
    assert len(kept) <= NEWEST + DAYS + WEEKS + MONTHS
    assert choose_kept(kept) == kept


def test_a_backup_of_a_gallery_in_use_is_one_consistent_state(store: Store) -> None:
    """A writer in mid-transaction is not in it."""
    with store.writing() as tx:
        items.find_motif(tx, "Tidewrack")
        backup = Backups(store.folder).make_backup(MORNING, quiet)
    with sqlite3.connect(backup.path) as copy:
        names = [row[0] for row in copy.execute("SELECT name FROM motif")]
    copy.close()
    assert names == ["Marram"]


def test_the_commands_make_list_verify_and_restore(rimlight, tmp_path: Path, drop_plate: bytes) -> None:
    photo, home = tmp_path / "plate.jpg", str(tmp_path / "home")
    photo.write_bytes(drop_plate)
    assert rimlight("add", photo, "--motif", "Marram", "--empty", "--data", home).returncode == 0
    made = rimlight("backup", "--data", home)
    assert made.returncode == 0, made.stderr
    assert rimlight("backup", "verify", "--data", home).returncode == 0
    assert "MB" in rimlight("backup", "list", "--data", home).stdout
    assert rimlight("undo", "--data", home).returncode == 0
    assert "Marram" not in rimlight("gallery", "--data", home).stdout
    back = rimlight("restore", "--data", home)
    assert back.returncode == 0, back.stderr
    assert "1 changes came after" in back.stdout
    assert "Marram" in rimlight("gallery", "--data", home).stdout
    none = rimlight("restore", "nope", "--data", home)
    assert (none.returncode, "There is no backup" in none.stderr) == (2, True)


def test_a_backup_a_day_is_made_only_where_something_changed(store: Store) -> None:
    backups = Backups(store.folder)
    assert back_up_if_due(backups, MORNING) is not None
    assert back_up_if_due(backups, MORNING + timedelta(hours=23)) is None, "not yet a day"
    assert back_up_if_due(backups, MORNING + timedelta(hours=25)) is None, "nothing changed"
    add(store, 3)
    assert back_up_if_due(backups, MORNING + timedelta(hours=26)) is not None
    add(store, 4)
    assert back_up_if_due(backups, MORNING - timedelta(days=3)) is not None, "a clock set back stops nothing"


def test_a_folder_that_nobody_has_put_anything_into_is_not_backed_up(tmp_path: Path) -> None:
    opened = open_store(tmp_path / "data")
    with opened.writing() as tx:
        ledger.log_change(tx, "test", "start", None, None)
    assert back_up_if_due(Backups(opened.folder), MORNING) is None
    opened.close()


def test_an_automatic_backup_that_fails_is_said_once_and_tried_again(
    store: Store, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    backups = Backups(store.folder)
    lost = next(p for p in (store.folder / "photos").glob("*/*") if p.is_file())
    kept = lost.read_bytes()
    lost.unlink()
    stop, looks = threading.Event(), []

    def look_again(_seconds: float) -> bool:
        looks.append(len(backups.list_backups()))
        if len(looks) == 2:
            lost.write_bytes(kept)
        return len(looks) == 3

    monkeypatch.setattr(stop, "wait", look_again)
    keep_backed_up(backups, stop, lambda: MORNING)
    assert looks == [0, 0, 1]
    assert capsys.readouterr().err.count("no automatic backup") == 1


def test_a_copy_that_went_bad_in_the_backups_is_copied_again_where_asked(store: Store) -> None:
    backups = Backups(store.folder)
    backups.make_backup(MORNING, quiet)
    next(p for p in backups.photos.folder.glob("*/*") if p.is_file()).write_bytes(b"noise")
    second = backups.make_backup(MORNING + timedelta(hours=1), quiet)
    with pytest.raises(StoreError, match="lacks 1 of its 6 files"):
        backups.verify(second, quiet)
    backups.verify(backups.make_backup(MORNING + timedelta(hours=2), quiet, recheck=True), quiet)


def test_old_backups_go_beside_a_damaged_one_and_every_file_stays(store: Store) -> None:
    backups = Backups(store.folder)
    made = [backups.make_backup(MORNING + timedelta(minutes=n), quiet) for n in range(NEWEST + 2)]
    made[-1].path.write_bytes(b"noise" * 4000)
    files = sorted(backups.photos.folder.glob("*/*"))
    for path in files:
        os.utime(path, (0, 0))
    assert backups.thin_out() == made[:2]
    assert sorted(backups.photos.folder.glob("*/*")) == files


def test_changes_made_after_an_earlier_restore_are_named_too(store: Store) -> None:
    backups = Backups(store.folder)
    first = backups.make_backup(MORNING, quiet)
    for number in (3, 4):
        add(store, number)
    second = backups.make_backup(MORNING + timedelta(hours=1), quiet)
    store.close()
    restore_backup(backups, first, quiet)
    between = open_store(store.folder)
    add(between, 5)
    between.close()
    restored = restore_backup(backups, second, quiet)
    assert restored.newer_changes is not None
    assert len(restored.newer_changes) == 1, "its number is one that the backup has for another change"
