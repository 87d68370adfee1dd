"""The demo gallery's way in: prepared vectors, vectors read on the spot, and vectors gone stale."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import pytest

from service.actions import Actions
from service.demo_build import build_demo
from service.demo_gallery import (
    DEMO_FOLDER,
    fill_new_gallery,
    load_prepared,
    make_missing_pictures,
    read_demo_labels,
    refresh_stale_vectors,
)
from service.errors import LabelError
from service.store import open_store
from service.worker import Worker


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory, drop_plate: bytes, star_plate: bytes) -> Path:
    """A demo folder of two photos, built."""
    folder = tmp_path_factory.mktemp("demo")
    (folder / "photos").mkdir()
    (folder / "photos" / "a.jpg").write_bytes(drop_plate)
    (folder / "photos" / "b.jpg").write_bytes(star_plate)
    labels = {"metal": "gold", "state": "sound", "maker": "Velderby Works", "line": "Osmer"}
    items = [
        {"photo": "photos/a.jpg", "motif": "Pip Row", "decoration_number": "OS-114", **labels},
        {"photo": "photos/b.jpg", "motif": "Corbel Star", "variant": "open", **labels},
    ]
    (folder / "gallery.json").write_text(json.dumps({"items": items}))
    assert build_demo(folder) == 0
    return folder


@pytest.fixture(scope="module")
def worker() -> Iterator[Worker]:
    running = Worker()
    yield running
    running.close()


@pytest.fixture()
def actions(tmp_path: Path, worker: Worker) -> Iterator[Actions]:
    store = open_store(tmp_path / "data")
    yield Actions(store, worker, "test")
    store.close()


class Shown:
    """Stands for a progress bar and remembers what it was asked to show."""

    def __init__(self) -> None:
        self.said: list[tuple[str, int]] = []

    def __call__(self, steps: list[str], what: str) -> list[str]:
        self.said.append((what, len(steps)))
        return steps


def test_a_new_folder_starts_with_the_prepared_demo(
    actions: Actions, folder: Path, drop_plate: bytes
) -> None:
    shown = Shown()
    fill_new_gallery(actions, False, shown, folder)
    refresh_stale_vectors(actions, shown)
    assert shown.said == []  # nothing had to be read
    answer = actions.list_gallery()
    assert {item["motif"] for item in answer["items"]} == {"Pip Row", "Corbel Star"}
    assert all(item["matchable"] for item in answer["items"])
    facts = actions.read_only(drop_plate).facts
    assert facts["candidates"][0]["motif"] == "Pip Row"
    assert actions.list_recent_readings(5) == []  # nobody sent these photos in


def test_a_folder_starts_once(actions: Actions, folder: Path) -> None:
    fill_new_gallery(actions, True, Shown(), folder)
    fill_new_gallery(actions, False, Shown(), folder)
    assert actions.list_gallery()["total"] == 0


def test_the_demo_cannot_be_undone_by_mistake_but_its_items_can_be_removed(
    actions: Actions, folder: Path
) -> None:
    fill_new_gallery(actions, False, Shown(), folder)
    item = actions.list_gallery()["items"][0]
    actions.remove_item(item["id"])
    assert actions.undo_change()["undone"]["action"] == "delete"
    assert actions.list_gallery()["total"] == 2


def test_a_photo_without_prepared_vectors_is_read_on_the_first_start(
    actions: Actions, folder: Path, tmp_path: Path, drop_plate: bytes
) -> None:
    other = tmp_path / "other"
    (other / "photos").mkdir(parents=True)
    (other / "photos" / "a.jpg").write_bytes(drop_plate + b"trailing")  # another file than the one prepared
    (other / "photos" / "b.jpg").write_bytes((folder / "photos" / "b.jpg").read_bytes())
    for name in ("gallery.json", "vectors.npz"):
        (other / name).write_bytes((folder / name).read_bytes())
    assert set(load_prepared(other / "vectors.npz")) == {"photos/b.jpg"}
    shown = Shown()
    fill_new_gallery(actions, False, shown, other)
    assert shown.said == [("reading the demo gallery", 1)]
    assert actions.list_gallery()["total"] == 2


def test_vectors_of_another_recipe_are_made_anew_and_labels_stay(
    actions: Actions, folder: Path, drop_plate: bytes
) -> None:
    fill_new_gallery(actions, False, Shown(), folder)
    before = actions.list_gallery()
    with actions.store.writing() as tx:
        tx.exec_driver_sql("UPDATE vector SET recipe_id = 'old', numbers = zeroblob(8)")
        tx.exec_driver_sql("UPDATE reading SET recipe_id = 'old'")
    assert actions.worker.wait_ready().recipe_id
    shown = Shown()
    refresh_stale_vectors(actions, shown)
    assert shown.said == [("bringing the gallery up to the new network", 2)]
    assert actions.list_gallery() == before
    assert actions.read_only(drop_plate).facts["candidates"][0]["motif"] == "Pip Row"
    refresh_stale_vectors(actions, shown)
    assert len(shown.said) == 1


def test_missing_strips_are_made_in_the_background(actions: Actions, folder: Path) -> None:
    import threading

    fill_new_gallery(actions, False, Shown(), folder)
    make_missing_pictures(actions, threading.Event())
    with actions.store.looking() as tx:
        strips = list(tx.exec_driver_sql("SELECT strip_file FROM reading").scalars())
    assert all(strips)
    assert {actions.store.strips.read(name)[:4] for name in strips} == {b"\x89PNG"}


def test_the_shipped_demo_has_known_labels_and_every_photo() -> None:
    labelled = read_demo_labels()
    assert len({labels.motif for labels in labelled.values()}) >= 8
    for photo, labels in labelled.items():
        assert labels.maker == "Velderby Works"
        assert (DEMO_FOLDER / photo).is_file()


def test_a_demo_with_an_unknown_label_value_is_refused(tmp_path: Path) -> None:
    items = [{"photo": "a.jpg", "motif": "Marram", "metal": "brass"}]
    (tmp_path / "gallery.json").write_text(json.dumps({"items": items}))
    with pytest.raises(LabelError):
        read_demo_labels(tmp_path)
