"""Several photos of one piece over HTTP and on the command line."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import httpx


def send(client: httpx.Client, photo: bytes) -> str:
    return str(client.post("/api/readings", files={"photo": ("plate.jpg", photo)}).json()["id"])


def test_two_photos_are_read_as_one(client: httpx.Client, plates: Callable[..., bytes]) -> None:
    first, second = send(client, plates("drop")), send(client, plates("drop", turn_deg=47.0))
    answer = client.get("/api/same-piece", params={"reading": [first, second]})
    assert answer.status_code == 200, answer.text
    pooled, one = answer.json(), client.get(f"/api/readings/{first}").json()
    assert set(pooled) == set(one) | {"same_piece"}
    assert set(pooled["trim"]) >= {"verdict", "probabilities", "reasons", "retake"}
    assert pooled["same_piece"]["readings"] == [first, second]
    assert 1 <= pooled["same_piece"]["worth"] <= 2
    assert pooled["id"] in (first, second)
    assert "2 photos" in pooled["trim"]["reasons"][0]


def test_the_same_photo_twice_is_no_second_look(client: httpx.Client, drop_plate: bytes) -> None:
    first = send(client, drop_plate)
    for ids in ([first, first], [first, send(client, drop_plate)]):
        answer = client.get("/api/same-piece", params={"reading": ids})
        assert answer.status_code == 422
        assert "another photo" in answer.json()["detail"]


def test_an_unknown_reading_or_a_single_one_is_refused(client: httpx.Client, drop_plate: bytes) -> None:
    first = send(client, drop_plate)
    assert client.get("/api/same-piece", params={"reading": [first, "nothing"]}).status_code == 404
    assert client.get("/api/same-piece", params={"reading": [first]}).status_code == 422
    assert client.get("/api/same-piece", params={"reading": [first] * 13}).status_code == 422


def test_the_command_line_pools_and_names_what_it_cannot_read(
    rimlight: Callable, tmp_path: Path, plates: Callable[..., bytes]
) -> None:
    photos = []
    for number, turn in enumerate((0.0, 90.0)):
        photos.append(tmp_path / f"plate-{number}.jpg")
        photos[-1].write_bytes(plates("drop", turn_deg=turn))
    broken = tmp_path / "broken.jpg"
    broken.write_bytes(b"no photo")
    run = rimlight("read", "--same-piece", "--json", *map(str, photos), str(broken))
    assert run.returncode == 1
    assert "broken.jpg" in run.stderr
    pooled = json.loads(run.stdout)
    assert pooled["files"] == [str(photo) for photo in photos]
    assert len(pooled["same_piece"]["readings"]) == 2


def test_hints_for_one_photo_do_not_go_with_several(rimlight: Callable, tmp_path: Path) -> None:
    run = rimlight(
        "read", "--same-piece", "--neutral", "1,1", str(tmp_path / "a.jpg"), str(tmp_path / "b.jpg")
    )
    assert run.returncode == 2
    assert "--same-piece" in run.stderr
