"""The gallery over HTTP: confirm, add, list, remove, undo; each change exactly once."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import httpx
import pytest


@pytest.fixture()
def fresh(make_server: Callable, tmp_path: Path):
    running = make_server(tmp_path / "data", "--empty")
    with running.client() as client:
        yield client
    running.stop()


def read(client: httpx.Client, photo: bytes) -> str:
    return client.post("/api/readings", files={"photo": photo}).json()["id"]


def names(client: httpx.Client, **query: object) -> list[str]:
    return [item["motif"] for item in client.get("/api/gallery", params=query).json()["items"]]


def test_a_confirmed_photo_joins_the_gallery_at_once(
    fresh: httpx.Client, drop_plate: bytes, plates: Callable
) -> None:
    assert fresh.post("/api/readings", files={"photo": drop_plate}).json()["candidates"] == []
    reading = read(fresh, drop_plate)
    labels = {
        "motif": "Pip Row",
        "variant": "filled",
        "metal": "gold",
        "state": "sound",
        "line": "Osmer",
        "maker": "Velderby Works",
        "decoration_number": "OS-114",
        "piece": "plate",
        "note": "a\nb",
    }
    item = fresh.post(f"/api/readings/{reading}/confirmation", json=labels)
    assert item.status_code == 201
    assert item.json()["reading_id"] == reading
    assert {name: item.json()[name] for name in labels} == labels
    assert names(fresh) == ["Pip Row"]
    seen = fresh.post("/api/readings", files={"photo": plates("drop", turn_deg=5)}).json()
    if item.json()["matchable"]:
        assert seen["candidates"][0]["motif"] == "Pip Row"
        assert seen["candidates"][0]["variant"] == "filled"
        assert seen["candidates"][0]["gallery_id"] == item.json()["id"]
    else:
        assert item.json()["reason"]
        assert seen["candidates"] == []


def test_confirming_again_gives_the_same_item_and_corrects_it(fresh: httpx.Client, drop_plate: bytes) -> None:
    address = f"/api/readings/{read(fresh, drop_plate)}/confirmation"
    first = fresh.post(address, json={"motif": "Pip Row"}).json()
    same = fresh.post(address, json={"motif": " pip  ROW "}).json()
    assert same["id"] == first["id"]
    assert same["change"] is None
    corrected = fresh.post(address, json={"motif": "Corbel Star", "metal": "silver"}).json()
    assert corrected["id"] == first["id"]
    assert corrected["metal"] == "platinum"
    assert names(fresh) == ["Corbel Star"]
    undone = fresh.post("/api/undo").json()
    assert undone["undone"]["action"] == "correct"
    assert names(fresh) == ["Pip Row"]
    fresh.post("/api/undo")
    assert names(fresh) == []
    assert fresh.post("/api/undo").status_code == 409
    back = fresh.post(address, json={"motif": "Pip Row"}).json()
    assert back["id"] == first["id"]
    assert names(fresh) == ["Pip Row"]


def test_adding_listing_removing_and_undoing(
    fresh: httpx.Client, drop_plate: bytes, star_plate: bytes
) -> None:
    gold = fresh.post("/api/gallery", files={"photo": drop_plate}, data={"motif": "Pip Row", "metal": "gold"})
    white = fresh.post(
        "/api/gallery", files={"photo": star_plate}, data={"motif": "Corbel Star", "metal": "silver"}
    )
    assert (gold.status_code, white.status_code) == (201, 201)
    assert gold.json()["matchable"] or gold.json()["reason"]
    assert names(fresh) == ["Corbel Star", "Pip Row"]
    assert names(fresh, metal="silver") == names(fresh, metal="platinum") == ["Corbel Star"]
    assert names(fresh, motif="PIP ROW") == names(fresh, motif="pip-row") == ["Pip Row"]
    assert names(fresh, page=2) == []
    one = f"/api/gallery/{gold.json()['id']}"
    assert fresh.get(one).json()["motif"] == "Pip Row"
    assert fresh.get(f"{one}/photo.jpg").headers["content-type"] == "image/jpeg"
    removed = fresh.delete(one)
    assert (removed.status_code, removed.content) == (204, b"")
    assert fresh.delete(one).status_code == fresh.get(one).status_code == 404
    assert names(fresh) == ["Corbel Star"]
    seen = fresh.post("/api/readings", files={"photo": drop_plate}).json()
    assert "Pip Row" not in [c["motif"] for c in seen["candidates"]]
    undone = fresh.post("/api/undo", json={"change": removed.headers["change-id"]})
    assert undone.json()["in_gallery"] is True
    assert names(fresh) == ["Corbel Star", "Pip Row"]
    blocked = fresh.post("/api/undo", json={"change": removed.headers["change-id"]})
    assert blocked.status_code == 409
    assert "already" in blocked.json()["detail"]


def test_an_earlier_change_waits_for_the_later_one(fresh: httpx.Client, drop_plate: bytes) -> None:
    item = fresh.post("/api/gallery", files={"photo": drop_plate}, data={"motif": "Marram"}).json()
    fresh.post(f"/api/readings/{item['reading_id']}/confirmation", json={"motif": "Sedge Swag"})
    blocked = fresh.post("/api/undo", json={"change": item["change"]})
    assert blocked.status_code == 409
    assert "later change" in blocked.json()["detail"]
    assert names(fresh) == ["Sedge Swag"]


def test_the_same_photo_with_the_same_labels_is_one_item(fresh: httpx.Client, drop_plate: bytes) -> None:
    send = {"files": {"photo": drop_plate}, "data": {"motif": "Marram", "metal": "gold"}}
    first, second = (fresh.post("/api/gallery", **send).json() for _ in range(2))
    assert first["id"] == second["id"]
    assert len(names(fresh)) == 1


def test_every_post_honours_its_key(fresh: httpx.Client, drop_plate: bytes) -> None:
    def key(name: str) -> dict[str, str]:
        return {"Idempotency-Key": name}

    send = {"files": {"photo": drop_plate}, "data": {"motif": "Marram"}, "headers": key("add")}
    first = fresh.post("/api/gallery", **send)
    assert fresh.post("/api/gallery", **send).json() == first.json()
    address = f"/api/readings/{first.json()['reading_id']}/confirmation"
    confirmed = fresh.post(address, json={"motif": "Tidewrack"}, headers=key("confirm")).json()
    fresh.post("/api/undo", headers=key("undo"))
    assert names(fresh) == ["Marram"]
    assert fresh.post(address, json={"motif": "Tidewrack"}, headers=key("confirm")).json() == confirmed
    assert names(fresh) == ["Marram"]  # the retry answered, and did nothing again
    fresh.post("/api/undo", headers=key("undo"))
    assert names(fresh) == ["Marram"]
    other = fresh.post(address, json={"motif": "Marram"}, headers=key("confirm"))
    assert other.status_code == 422


def test_impatient_retries_at_once_make_one_item(fresh: httpx.Client, drop_plate: bytes) -> None:
    def add(_: int) -> tuple[int, str]:
        send = {"files": {"photo": drop_plate}, "data": {"motif": "Marram"}}
        answer = fresh.post("/api/gallery", **send, headers={"Idempotency-Key": "impatient"})
        return answer.status_code, answer.text

    with ThreadPoolExecutor(4) as pool:
        answers = list(pool.map(add, range(4)))
    assert answers == [answers[0]] * 4
    assert answers[0][0] == 201
    assert len(names(fresh)) == 1


def test_health_tells_gallery_size_and_model(fresh: httpx.Client) -> None:
    health = fresh.get("/api/health").json()
    assert health["status"] == "ok"
    assert health["gallery"] == {"items": 0, "matchable": 0, "motifs": 0}
    assert health["model_id"], health["model_problem"]
