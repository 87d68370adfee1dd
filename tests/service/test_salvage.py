"""A damaged database: named, the rest saved into a new one, the damaged one kept; never behind a server."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import numpy as np
import pytest

from service import items, ledger
from service.check import check_folder
from service.errors import StoreError
from service.findings import Report
from service.kept import NewReading
from service.store import DATABASE_NAME, open_store


def fill(folder: Path, photos: int) -> None:
    """A folder with that many confirmed readings."""
    store = open_store(folder)
    for number in range(photos):
        photo = {"width": 4, "height": 3, "sha256": f"{number:064x}", "taken_at": None}
        facts = {"id": f"reading{number}", "photo": photo}
        new = NewReading(facts, 10, b"photo %d" % number, "jpg", None, None, ())
        files = store.keep_files(new)
        with store.writing() as tx:
            store.insert_reading(tx, new, files)
            item = items.insert_item(tx, facts["id"], "Marram", {}, "none")
            ledger.log_change(tx, "test", "add", item, None)
    store.close()


def look(folder: Path, repair: bool = False) -> Report:
    return check_folder(folder, repair, lambda steps, _: steps)


def kinds(report: Report) -> list[str]:
    return sorted(finding.kind for finding in report.findings)


def damage_page(folder: Path) -> None:
    """Overwrite a page of readings with noise, as a bad sector would."""
    path = folder / DATABASE_NAME
    connection = sqlite3.connect(path)
    connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    size = connection.execute("PRAGMA page_size").fetchone()[0]
    connection.close()
    offset = path.read_bytes().rfind(b'{"id":"reading60"')
    assert offset > 0
    with path.open("r+b") as stream:
        stream.seek(offset // size * size)
        stream.write(np.random.default_rng(5).bytes(size))


def test_of_a_database_with_a_damaged_page_the_rest_is_saved(tmp_path: Path) -> None:
    folder = tmp_path / "data"
    fill(folder, 120)
    damage_page(folder)
    damaged = (folder / DATABASE_NAME).read_bytes()
    report = look(folder)
    assert "database damaged" in kinds(report)
    assert (folder / DATABASE_NAME).read_bytes() == damaged
    report = look(folder, repair=True)
    saved = next(done for finding, done in report.mended if finding.kind == "database damaged")
    assert "saved" in saved
    assert (folder / "quarantine" / DATABASE_NAME).read_bytes() == damaged
    connection = sqlite3.connect(folder / DATABASE_NAME)
    assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    readings = connection.execute("SELECT count(*) FROM reading").fetchone()[0]
    photos = connection.execute("SELECT count(*) FROM photo").fetchone()[0]
    connection.close()
    assert 60 <= readings < 120
    assert photos == 120
    assert (
        len(list((folder / "photos").glob("??/*.jpg")))
        + len([p for p in (folder / "quarantine").iterdir() if p.suffix == ".jpg"])
        == 120
    )  # no photo was lost with its row


def test_a_page_that_is_damaged_while_serving_is_said_in_words(tmp_path: Path) -> None:
    fill(tmp_path / "data", 120)
    damage_page(tmp_path / "data")
    store = open_store(tmp_path / "data")
    with pytest.raises(StoreError, match="rimlight check"), store.looking() as tx:
        tx.exec_driver_sql("SELECT sum(length(facts)) FROM reading").all()
    store.close()


def test_a_damaged_database_is_not_replaced_under_a_running_program(tmp_path: Path) -> None:
    folder = tmp_path / "data"
    fill(folder, 120)
    damage_page(folder)
    running = open_store(folder)
    report = look(folder, repair=True)
    running.close()
    assert "database damaged" in kinds(report)
    assert any("stop it" in note for note in report.notes)
    assert not (folder / "quarantine").exists()


def test_noise_instead_of_a_database_is_kept_and_a_backup_asked_for(tmp_path: Path) -> None:
    folder = tmp_path / "data"
    fill(folder, 3)
    noise = np.random.default_rng(1).bytes(8192)
    (folder / DATABASE_NAME).write_bytes(noise)
    for name in ("-wal", "-shm"):
        Path(f"{folder / DATABASE_NAME}{name}").unlink(missing_ok=True)
    report = look(folder, repair=True)
    assert kinds(report) == ["database damaged"]
    assert (folder / DATABASE_NAME).read_bytes() == noise
    assert any("backup" in note for note in report.notes)
