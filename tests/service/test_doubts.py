"""Gallery photos that look like another motif than their own: over HTTP, by command, in the check."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import httpx
import numpy as np
import pytest

from service import items, ledger
from service.actions import Actions
from service.check import check_folder
from service.kept import Crop, NewReading
from service.labels import check_labels
from service.store import Store, open_store
from service.workers import Workers

NAMES = ["Marram", "Sedge Swag", "Corbel Star"]


def keep_photo(store: Store, number: int, looks_like: int, motif: str) -> str:
    """A gallery photo of two vectors near those of one of three prints, under a name; its item."""
    rng = np.random.default_rng(number)
    rows = np.eye(16)[looks_like] + rng.normal(0, 0.05, (2, 16))
    rows = (rows / np.linalg.norm(rows, axis=1, keepdims=True)).astype("<f4")
    crops = tuple(Crop((0.0, 1.0, 2.0, 3.0), 0.0, False, 1.0, row.tobytes()) for row in rows)
    photo = {"width": 4, "height": 3, "sha256": f"{number:064x}", "taken_at": None}
    new = NewReading(
        {"id": f"reading{number}", "photo": photo}, 10, b"photo %d" % number, "jpg", None, "r", crops
    )
    files = store.keep_files(new)
    with store.writing() as tx:
        store.insert_reading(tx, new, files)
        item_id = items.insert_item(tx, new.facts["id"], motif, {}, None)
        ledger.log_change(tx, "test", "add", item_id, None)
    return item_id


@pytest.fixture()
def mislabelled(tmp_path: Path) -> Iterator[tuple[Store, str]]:
    """Three photos each of three prints, one under another's name: the store and that item."""
    store = open_store(tmp_path / "data")
    wrong = ""
    for number in range(9):
        looks_like = number // 3
        name = NAMES[1] if number == 0 else NAMES[looks_like]
        item_id = keep_photo(store, number, looks_like, name)
        wrong = wrong or item_id
    yield store, wrong
    store.close()


def test_a_wrong_label_is_pointed_out_and_correcting_it_settles_it(mislabelled: tuple[Store, str]) -> None:
    store, wrong = mislabelled
    actions = Actions(store, Workers(1), "test")
    found = actions.list_doubts()
    assert found["judged"] == 9
    (doubt,) = found["doubts"]
    assert (doubt["item"]["id"], doubt["nearer"]["motif"]) == (wrong, "Marram")
    assert "Labelled Sedge Swag, but it looks more like Marram" in doubt["text"]
    actions.confirm_reading(doubt["item"]["reading_id"], check_labels({"motif": "Marram"}))
    assert actions.list_doubts() == {"doubts": [], "judged": 9}


def test_the_check_notes_doubts_and_still_calls_the_folder_well(mislabelled: tuple[Store, str]) -> None:
    store, wrong = mislabelled
    report = check_folder(store.folder, False, lambda steps, _: steps)
    assert report.is_well
    (note,) = (note for note in report.notes if "another motif" in note)
    assert note.startswith("1 of 9 gallery photos")
    assert wrong in note


def test_the_command_names_them(mislabelled: tuple[Store, str], rimlight: Callable) -> None:
    store, wrong = mislabelled
    said = rimlight("gallery", "--doubts", "--empty", "--data", store.folder)
    assert said.returncode == 0
    assert said.stdout.splitlines()[0].startswith(f"{wrong}  Labelled Sedge Swag")
    assert said.stdout.splitlines()[-1] == "1 of 9 photos that could be judged are in doubt."


def test_a_gallery_without_vectors_has_no_doubts(client: httpx.Client) -> None:
    answer = client.get("/api/gallery/doubts")
    assert answer.status_code == 200
    assert set(answer.json()) == {"doubts", "judged"}
