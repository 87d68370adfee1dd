"""`rimlight check` on the register: damage to a record, a reference, the log, or what is drawn out of it."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import pytest

from service.check import check_folder
from service.findings import Report
from service.register.register_actions import Register
from service.store import DATABASE_NAME, open_store


@pytest.fixture()
def folder(tmp_path: Path) -> Path:
    store = open_store(tmp_path / "data")
    desk = Register(store, "test")
    desk.add_record("maker", {"name": "Velderby Works"})
    desk.add_record("line", {"name": "Osmer", "maker": "Velderby Works", "years": "1932/1937"})
    desk.add_record("motif", {"name": "Quern Leaf"})
    piece = {"number": "1", "piece_kind": "dinner plate", "maker": "Velderby Works", "line": "Osmer"}
    desk.add_record("piece", piece | {"marks": [{"transcription": "VEL[...]"}]})
    desk.add_record("piece", {"number": "2", "piece_kind": "cup"})
    desk.correct_record("piece", "2", {"number": "3"})
    desk.remove_record("piece", "3")
    store.close()
    return tmp_path / "data"


def look(folder: Path, repair: bool = False) -> Report:
    return check_folder(folder, repair, lambda steps, _: steps)


def change(folder: Path, statement: str) -> None:
    connection = sqlite3.connect(folder / DATABASE_NAME)
    with connection:
        assert connection.execute(statement).rowcount != 0
    connection.close()


def test_a_register_in_use_is_well(folder: Path) -> None:
    report = look(folder)
    assert report.is_well, report.as_lines()
    assert report.counts["register records"] >= 6


@pytest.mark.parametrize(
    ("statement", "kind"),
    [
        ("UPDATE register_record SET body = '{' WHERE kind = 'maker'", "register record damaged"),
        ("UPDATE register_record SET body = '{}' WHERE kind = 'maker'", "register record damaged"),
        ("UPDATE register_record SET sort_key = 'x' WHERE kind = 'maker'", "register record damaged"),
        (
            "UPDATE register_record SET body = replace(body, '1932/1937', '1932/1938') WHERE kind = 'line'",
            "register record and log disagree",
        ),
        (
            "UPDATE register_record SET removed_at = 'x' WHERE kind = 'maker'",
            "register reference to nothing",
        ),
    ],
)
def test_damage_to_a_record_is_named_and_left_to_a_person(folder: Path, statement: str, kind: str) -> None:
    change(folder, statement)
    report = look(folder, repair=True)
    assert kind in {finding.kind for finding in report.findings}
    assert not any(finding.kind == kind for finding, _ in report.mended)


@pytest.mark.parametrize(
    "statement",
    [
        "DELETE FROM register_link",
        "DELETE FROM register_name",
        "UPDATE register_text SET text = 'else'",
        "UPDATE register_sighting SET owned = 0",
    ],
)
def test_what_is_drawn_out_is_made_anew(folder: Path, statement: str) -> None:
    change(folder, statement)
    report = look(folder)
    assert [finding.kind for finding in report.findings] == ["register out of date with itself"]
    assert not look(folder).is_well  # looking changed nothing
    assert look(folder, repair=True).is_well
    assert look(folder).is_well
