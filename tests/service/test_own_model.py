"""A head fitted on one's own gallery: exported, fitted, judged, taken on, given back; vectors rebuilt."""

from __future__ import annotations

import json
import threading
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import httpx
import numpy as np
import pytest

from model.head import Head, VectorMap, find_head_id, read_head, write_head
from service import heads, items, ledger
from service.actions import Actions
from service.exchange.whole import export_everything
from service.kept import Crop, NewReading
from service.own_model import REBUILT, ModelRefused, OwnModel
from service.packed import open_gallery
from service.store import Store, open_store
from service.worker import Started

NUMBERS, MOTIFS, PHOTOS = 16, 12, 4


class StandIn:
    """Where the reading process would be: makes vectors of recipe "r" out of nothing."""

    def __init__(self) -> None:
        self.read_photos: list[str] = []
        self.fail_after = 10**9

    def wait_ready(self) -> Started:
        return Started("r", None)

    def read(self, data: bytes, reading_id: str, *_rest: Any, **_told: Any) -> NewReading:
        if len(self.read_photos) >= self.fail_after:
            raise KeyboardInterrupt
        self.read_photos.append(reading_id)
        return reading_of(int(data.split()[1]))


def vectors_of(number: int) -> np.ndarray:
    """Two unit rows of a photo: its motif in the last half, noise twice as large in the first."""
    motif = np.random.default_rng(1000 + number // PHOTOS).normal(size=NUMBERS // 2)
    rng = np.random.default_rng(number)
    rows = np.concatenate([2 * rng.normal(size=(2, NUMBERS // 2)), np.stack([motif, motif])], axis=1)
    return (rows / np.linalg.norm(rows, axis=1, keepdims=True)).astype("<f4")


def reading_of(number: int) -> NewReading:
    crops = tuple(Crop((0.0, 1.0, 2.0, 3.0), 0.0, False, 1.0, row.tobytes()) for row in vectors_of(number))
    photo = {"width": 4, "height": 3, "sha256": f"{number:064x}", "taken_at": None}
    facts = {"id": f"reading{number:03d}", "photo": photo, "candidates": []}
    return NewReading(facts, 10, b"photo %d" % number, "jpg", None, "r", crops)


@pytest.fixture()
def actions(tmp_path: Path) -> Iterator[Actions]:
    """A gallery of 12 motifs with 4 photos each, every photo of a piece of its own."""
    store = open_store(tmp_path / "data")
    for number in range(MOTIFS * PHOTOS):
        keep(store, number)
    made = Actions(store, StandIn(), "test")  # type: ignore[arg-type]
    made.worker = StandIn()  # type: ignore[assignment]
    yield made
    store.close()


def keep(store: Store, number: int) -> None:
    new = reading_of(number)
    files = store.keep_files(new)
    with store.writing() as tx:
        store.insert_reading(tx, new, files)
        item_id = items.insert_item(tx, new.facts["id"], f"Motif {number // PHOTOS}", {}, None)
        ledger.log_change(tx, "test", "add", item_id, None)


def quietly(steps: list[Any], _what: str) -> list[Any]:
    return steps


def told_head(keep_first: float, recipe_id: str = "r") -> Head:
    """A head by hand that weighs the noisy first half; its only fold is the same."""
    weights = [keep_first] * (NUMBERS // 2) + [1.0] * (NUMBERS // 2)
    one = VectorMap(np.zeros(NUMBERS, np.float32), np.diag(weights).astype(np.float32))
    fit = VectorMap(one.mean, one.matrix.copy())
    calibration = read_shipped_shape(recipe_id)
    head_id = find_head_id(recipe_id, (one, fit), calibration)
    return Head(head_id, recipe_id, one, (fit,), {}, calibration, {})


def read_shipped_shape(recipe_id: str) -> Any:
    from model.lookup import load_calibration

    return replace(load_calibration(), recipe_id=recipe_id)


def test_a_better_head_is_taken_on_serves_and_is_given_back(actions: Actions) -> None:
    own = OwnModel(actions)
    with actions.store.looking() as tx:
        before = items.gallery_version(tx)
    answer = own.adopt(write_head(told_head(0.0)), quietly)
    assert answer["score"]["asked"] == MOTIFS * PHOTOS
    assert answer["score"]["found_first"] == 1
    assert answer["score"]["difference"][1] > 0
    state = own.show()
    assert (state["head"]["id"], state["earlier"], state["unfit"]) == (answer["id"], [], None)
    with actions.store.looking() as tx:
        assert items.gallery_version(tx) > before  # readers take the new pack with their next photo
        packed = items.pack_gallery(tx, "r")
    gallery = open_gallery(packed)
    assert gallery.head is not None and gallery.head.id == answer["id"]
    assert own.roll_back() == {"given_back": answer["id"], "head": None}
    with actions.store.looking() as tx:
        assert open_gallery(items.pack_gallery(tx, "r")).head is None
    with pytest.raises(ModelRefused, match="No head"):
        own.roll_back()


def test_a_head_that_is_not_better_changes_nothing(actions: Actions) -> None:
    own = OwnModel(actions)
    for head in (told_head(1.0), told_head(3.0)):
        with pytest.raises(ModelRefused, match="not surely better"):
            own.adopt(write_head(head), quietly)
    own.adopt(write_head(told_head(0.0)), quietly)
    with pytest.raises(ModelRefused, match="in use already"):
        own.adopt(write_head(told_head(0.0)), quietly)
    with pytest.raises(ModelRefused, match="not surely better"):
        own.adopt(write_head(told_head(0.001)), quietly)  # against what is in use, not what was shipped
    assert own.show()["earlier"] == []


def test_a_head_of_other_weights_or_a_changed_file_is_refused(actions: Actions) -> None:
    own = OwnModel(actions)
    with pytest.raises(ModelRefused, match=r"python -m training\.tune"):
        own.adopt(write_head(told_head(0.0, "another")), quietly)
    text = write_head(told_head(0.0))
    with pytest.raises(ModelRefused, match="was changed after it was made"):
        own.adopt(text.replace('"recipe_id": "r"', '"recipe_id": "s"'), quietly)
    with pytest.raises(ModelRefused, match="no head"):
        own.adopt("{}", quietly)
    assert own.show()["head"] is None


def test_a_head_cut_off_before_its_last_step_is_not_in_use(actions: Actions) -> None:
    def stop(steps: list[Any], what: str) -> list[Any]:
        if what == "judging what is in use":
            raise KeyboardInterrupt
        return steps

    own = OwnModel(actions)
    with pytest.raises(KeyboardInterrupt):
        own.adopt(write_head(told_head(0.0)), stop)
    assert own.show()["head"] is None
    assert own.adopt(write_head(told_head(0.0)), quietly)["id"] == told_head(0.0).id


def test_a_damaged_head_does_not_stop_the_reading_and_is_told(actions: Actions) -> None:
    own = OwnModel(actions)
    own.adopt(write_head(told_head(0.0)), quietly)
    with actions.store.writing() as tx:
        held = heads.list_heads(tx)
        held[-1]["text"] = held[-1]["text"][:-200]
        heads.put_heads(tx, held)
    with actions.store.looking() as tx:
        assert open_gallery(items.pack_gallery(tx, "r")).head is None
    assert "no head" in own.show()["damaged"]


def test_a_rebuild_that_was_cut_short_goes_on_where_it_stopped(actions: Actions) -> None:
    own, worker = OwnModel(actions), actions.worker
    worker.fail_after = 20  # type: ignore[attr-defined]
    with pytest.raises(KeyboardInterrupt):
        own.rebuild(quietly)
    assert own.show()["rebuild_unfinished"]
    worker.fail_after = 10**9  # type: ignore[attr-defined]
    assert own.rebuild(quietly) == {"rebuilt": 48, "total": 48, "finished": True}
    assert len(worker.read_photos) == len(set(worker.read_photos)) == 48  # type: ignore[attr-defined]
    assert not own.show()["rebuild_unfinished"]
    with actions.store.looking() as tx:
        assert actions.store.folder_fact(tx, REBUILT) is None


def test_old_vectors_serve_while_a_rebuild_runs_and_it_can_be_stopped(actions: Actions) -> None:
    own, stop = OwnModel(actions), threading.Event()
    seen: list[int] = []

    def watch(steps: list[Any], _what: str) -> Iterator[Any]:
        for step in steps:
            with actions.store.looking() as tx:
                seen.append(len(items.pack_gallery(tx, "r").photo_index))
            if len(seen) == 5:
                stop.set()
            yield step

    assert own.rebuild(watch, stop)["finished"] is False
    assert set(seen) == {2 * MOTIFS * PHOTOS}


def test_vectors_of_another_network_are_made_anew_before_judging(actions: Actions) -> None:
    with actions.store.writing() as tx:
        tx.exec_driver_sql("UPDATE vector SET recipe_id = 'old' WHERE reading_id = 'reading003'")
        tx.exec_driver_sql("UPDATE reading SET recipe_id = 'old' WHERE id = 'reading003'")
    own = OwnModel(actions)
    assert own.show()["stale"] == 1
    assert own.adopt(write_head(told_head(0.0)), quietly)["score"]["asked"] == MOTIFS * PHOTOS
    assert actions.worker.read_photos == ["reading003"]  # type: ignore[attr-defined]
    assert own.show()["stale"] == 0


def test_an_export_is_tuned_and_the_head_adopted(actions: Actions, tmp_path: Path) -> None:
    tune = pytest.importorskip("training.tune")
    from training.exported_gallery import find_archive, load_gallery

    (tmp_path / "out").mkdir()
    export_everything(actions.store, tmp_path / "out" / "own.zip", lambda steps, _n, _what: steps)
    photos, readings = load_gallery(find_archive(tmp_path / "out"))
    assert len(readings) == MOTIFS * PHOTOS
    head = tune.tune(photos, readings)
    assert head.facts["found first"] > head.facts["found first as shipped"]
    text = write_head(head)
    answer = OwnModel(actions).adopt(text, quietly)
    assert answer["score"]["found_first"] == head.facts["found first"]
    assert answer["score"]["difference"] == head.facts["difference"]
    assert read_head(text).facts["kind"] != "as shipped"


def test_the_state_over_http_and_at_the_command_line(
    client: httpx.Client, rimlight: Callable, tmp_path: Path
) -> None:
    state = client.get("/api/model").json()
    assert state["head"] is None and state["stale"] == 0
    refused = client.post("/api/model/head", files={"head": ("own.head", b"{}")})
    assert refused.status_code == 422
    assert "no head" in refused.json()["detail"]
    assert client.delete("/api/model/head").status_code == 422
    (tmp_path / "own.head").write_text("{}")
    for what, code in ((("show",), 0), (("adopt", tmp_path / "own.head"), 1), (("rollback",), 1)):
        said = rimlight("model", *what, "--empty", "--data", tmp_path / "data")
        assert said.returncode == code, said.stderr
    shown = rimlight("model", "show", "--json", "--data", tmp_path / "data")
    assert json.loads(shown.stdout)["recipe_id"] == state["recipe_id"]
