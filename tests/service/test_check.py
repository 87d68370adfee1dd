"""`rimlight check`: each kind of damage is found, named, and mended only where that is safe."""

from __future__ import annotations

import json
import shutil
import sqlite3
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from service import items, ledger
from service.backup.backups import Backups
from service.check import check_folder
from service.findings import Report
from service.kept import Crop, NewReading
from service.store import DATABASE_NAME, open_store

PHOTOS, VECTORS = 6, 3


def fill(folder: Path, photos: int = PHOTOS) -> list[str]:
    """A folder with confirmed readings; returns the photo files' names."""
    store, names = open_store(folder), []
    chance = np.random.default_rng(3)
    for number in range(photos):
        vectors = chance.normal(size=(VECTORS, 16)).astype("<f4")
        vectors /= np.linalg.norm(vectors, axis=1, keepdims=True)
        crops = tuple(Crop((0, 0, 9, 9), 0.0, False, 1.0, row.tobytes()) for row in vectors)
        photo = {"width": 4, "height": 3, "sha256": f"{number:064x}", "taken_at": None}
        facts = {"id": f"reading{number}", "photo": photo}
        new = NewReading(facts, 10, b"photo %d" % number, "jpg", b"strip %d" % number, "r1", crops)
        files = store.keep_files(new)
        with store.writing() as tx:
            store.insert_reading(tx, new, files)
            item = items.insert_item(tx, facts["id"], "Marram", {}, None)
            ledger.log_change(tx, "test", "add", item, None)
        names.append(files[0])
    store.close()
    return names


@pytest.fixture()
def folder(tmp_path: Path) -> Path:
    fill(tmp_path / "data")
    return tmp_path / "data"


def look(folder: Path, repair: bool = False) -> Report:
    return check_folder(folder, repair, lambda steps, _: steps)


def kinds(report: Report) -> list[str]:
    return sorted(finding.kind for finding in report.findings)


def change(folder: Path, *statements: str) -> None:
    connection = sqlite3.connect(folder / DATABASE_NAME)
    with connection:
        for statement in statements:
            connection.execute(statement)
    connection.close()


def photo_path(folder: Path, number: int = 0) -> Path:
    return sorted((folder / "photos").glob("??/*.jpg"))[number]


def every_file(folder: Path) -> Iterator[bytes]:
    for path in folder.rglob("*"):
        if path.is_file():
            yield path.read_bytes()


def test_a_sound_folder_is_well_and_everything_in_it_was_looked_at(folder: Path) -> None:
    report = look(folder)
    assert report.is_well
    count = {"readings": PHOTOS, "vectors": PHOTOS * VECTORS, "gallery items": PHOTOS}
    assert report.counts == {"photos": PHOTOS, "strips": PHOTOS, "register records": 0} | count


def test_a_missing_photo_is_named_and_comes_back_from_the_quarantine(folder: Path) -> None:
    path = photo_path(folder)
    data = path.read_bytes()
    path.unlink()
    report = look(folder, repair=True)
    assert kinds(report) == ["photo file missing"]
    assert report.findings[0].where == path.name
    assert "backup" in report.findings[0].text
    (folder / "quarantine").mkdir()
    (folder / "quarantine" / path.name).write_bytes(data)
    assert look(folder, repair=True).is_well
    assert path.read_bytes() == data


def test_a_photo_comes_back_from_the_backups(folder: Path) -> None:
    backups = Backups(folder)
    backups.make_backup(datetime.now(UTC), lambda names, _count, _what: names)
    path = photo_path(folder)
    data = path.read_bytes()
    path.write_bytes(b"spoilt")
    report = look(folder, repair=True)
    assert report.is_well
    assert report.mended[0][1] == "put back from the backups"
    assert path.read_bytes() == data
    assert (folder / "quarantine" / path.name).read_bytes() == b"spoilt"


def test_a_damaged_photo_is_set_aside_and_never_overwritten(folder: Path) -> None:
    path = photo_path(folder)
    path.write_bytes(b"phot")
    assert kinds(look(folder)) == ["photo file damaged"]
    assert path.read_bytes() == b"phot"  # looking changes nothing
    report = look(folder, repair=True)
    assert [done for _, done in report.mended] == [f"set aside as quarantine/{path.name}"]
    assert (folder / "quarantine" / path.name).read_bytes() == b"phot"
    assert kinds(look(folder)) == ["photo file missing"]


@pytest.mark.parametrize("harm", ["missing", "damaged"])
def test_a_strip_is_made_again_when_shown(folder: Path, harm: str) -> None:
    path = next((folder / "strips").glob("??/*.png"))
    path.unlink() if harm == "missing" else path.write_bytes(b"")
    assert kinds(look(folder)) == [f"strip file {harm}"]
    assert look(folder, repair=True).is_well
    assert look(folder).is_well


@pytest.mark.parametrize(
    ("statement", "words"),
    [
        ("UPDATE vector SET numbers = zeroblob(64) WHERE id = 1", "unit length"),
        (
            "UPDATE vector SET numbers = CAST(X'0000c07f' || substr(numbers, 5) AS BLOB) WHERE id = 1",
            "unit length",
        ),
        ("UPDATE vector SET numbers = substr(numbers, 1, 60) WHERE id = 2", "another length"),
        ("DELETE FROM vector WHERE id = 2", "missing"),
        ("UPDATE vector SET recipe_id = 'r0' WHERE id = 3", "another recipe"),
    ],
    ids=["zero", "not a number", "cut", "gone", "recipe"],
)
def test_damaged_vectors_are_set_aside_to_be_made_again(folder: Path, statement: str, words: str) -> None:
    change(folder, statement)
    report = look(folder)
    assert kinds(report) == ["vectors damaged"]
    assert words in report.findings[0].text
    report = look(folder, repair=True)
    assert report.is_well
    kept = (folder / "quarantine" / "vectors-reading0.jsonl").read_text().splitlines()
    assert len(kept) >= VECTORS - 1
    assert all("numbers" in json.loads(line) for line in kept)
    store = open_store(folder)
    with store.looking() as tx:
        assert items.find_stale_readings(tx, "r1") == ["reading0"]
    store.close()
    assert look(folder).is_well


@pytest.mark.parametrize(
    ("statement", "kind"),
    [
        ("UPDATE reading SET facts = '{' WHERE id = 'reading1'", "facts damaged"),
        ("UPDATE reading SET facts = replace(facts, 'reading1', 'reading2')", "facts damaged"),
        ("UPDATE gallery_item SET variant = 'open' WHERE reading_id = 'reading1'", "item and log disagree"),
        ("UPDATE gallery_item SET reading_id = 'none' WHERE reading_id = 'reading1'", "reference to nothing"),
    ],
)
def test_what_only_a_person_can_decide_is_named_and_left_alone(
    folder: Path, statement: str, kind: str
) -> None:
    change(folder, statement)
    before = sorted(every_file(folder / "photos"))
    report = look(folder, repair=True)
    assert kind in kinds(report)
    assert not report.mended
    assert sorted(every_file(folder / "photos")) == before
    assert "backup or your decision" in report.as_lines()[-1]


def test_an_item_that_disagrees_with_its_vectors_is_corrected_in_the_log_too(folder: Path) -> None:
    change(folder, "UPDATE gallery_item SET matchable = 0 WHERE reading_id = 'reading1'")
    assert kinds(look(folder)) == ["item and vectors disagree"]
    assert look(folder, repair=True).is_well
    assert look(folder).is_well


def test_the_rule_that_the_log_is_append_only_is_put_back(folder: Path) -> None:
    change(folder, "DROP TRIGGER change_stays", "DROP INDEX reading_photo")
    assert kinds(look(folder)) == ["part of the database missing"] * 2
    assert look(folder, repair=True).is_well
    with pytest.raises(sqlite3.IntegrityError, match="append only"):
        change(folder, "DELETE FROM change")


def test_leftovers_and_cut_off_pictures_are_set_aside(folder: Path) -> None:
    (folder / "photos" / "incoming" / "a.part").write_bytes(b"half")
    (folder / "derived").mkdir()
    (folder / "derived" / "a-320-whole.jpg").write_bytes(b"\xff\xd8 cut")
    assert kinds(look(folder)) == ["cached picture cut off", "leftover file"]
    assert look(folder, repair=True).is_well
    assert {p.name for p in (folder / "quarantine").iterdir()} == {"a.part", "a-320-whole.jpg"}


def test_a_clock_set_back_is_a_note_and_no_harm(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("service.check.now", lambda: "2001-02-03T04:05:06.000Z")
    report = look(folder)
    assert report.is_well
    assert "set back" in report.notes[0]


def test_the_command_says_by_its_exit_code_how_it_went(
    folder: Path, tmp_path: Path, rimlight: Callable
) -> None:
    well = rimlight("check", "--data", folder)
    assert (well.returncode, well.stdout.splitlines()[-1]) == (0, "All is well.")
    assert "checking photos" in well.stderr  # how far it is
    shutil.copytree(folder, tmp_path / "copy")
    photo_path(tmp_path / "copy").unlink()
    left = rimlight("check", "--repair", "--json", "--data", tmp_path / "copy")
    assert left.returncode == 1
    assert json.loads(left.stdout)["findings"][0]["kind"] == "photo file missing"
    none = rimlight("check", "--data", tmp_path / "nowhere")
    assert none.returncode == 2
    assert not (tmp_path / "nowhere").exists()
