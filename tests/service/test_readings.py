"""Reading over HTTP, through the real server process."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable
from pathlib import Path

import cv2
import httpx
import numpy as np

from model import facts as model_facts
from service import schemas


def read(client: httpx.Client, photo: bytes, **more: object) -> httpx.Response:
    return client.post("/api/readings", files={"photo": ("plate.jpg", photo)}, **more)


def test_a_photo_gives_a_reading_of_the_public_shape(client: httpx.Client, drop_plate: bytes) -> None:
    answer = read(client, drop_plate)
    assert answer.status_code == 201, answer.text
    reading = answer.json()
    schemas.Reading.model_validate(reading)
    assert reading["photo"]["sha256"] == hashlib.sha256(drop_plate).hexdigest()
    assert (reading["photo"]["width"], reading["photo"]["height"]) == (960, 720)
    assert answer.headers["location"] == f"/api/readings/{reading['id']}"
    shares = [c["probability"] for c in reading["candidates"]]
    assert sum(shares) + (reading["not_in_gallery_probability"] or 0) <= 1 + 1e-5


def test_a_reading_can_be_fetched_again(client: httpx.Client, drop_plate: bytes) -> None:
    reading = read(client, drop_plate).json()
    again = client.get(f"/api/readings/{reading['id']}")
    assert again.status_code == 200
    assert again.json() == reading


def test_the_strip_is_a_png_or_says_why_there_is_none(client: httpx.Client, drop_plate: bytes) -> None:
    reading = read(client, drop_plate).json()
    strip = client.get(f"/api/readings/{reading['id']}/strip.png")
    if reading["strip_first_column_deg"] is None:
        assert strip.status_code == 404
        assert strip.json()["detail"]
        return
    assert strip.headers["content-type"] == "image/png"
    picture = cv2.imdecode(np.frombuffer(strip.content, np.uint8), cv2.IMREAD_COLOR)
    assert picture.shape[1] > picture.shape[0]
    assert picture.std() > 3  # a black or blank strip is no strip


def test_a_photo_without_a_rim_has_no_strip_but_a_reason(client: httpx.Client) -> None:
    grey = cv2.imencode(".png", np.full((300, 400, 3), 128, np.uint8))[1].tobytes()
    reading = read(client, grey).json()
    assert reading["piece"]["status"] == "not found"
    strip = client.get(f"/api/readings/{reading['id']}/strip.png")
    assert strip.status_code == 404
    assert strip.headers["content-type"] == "application/problem+json"
    assert len(strip.json()["detail"]) > 20


def test_only_a_reencoded_photo_is_served(client: httpx.Client, drop_plate: bytes) -> None:
    reading = read(client, drop_plate).json()
    shown = client.get(f"/api/readings/{reading['id']}/photo.jpg", params={"size": "thumbnail"})
    assert shown.headers["content-type"] == "image/jpeg"
    assert b"Exif" not in shown.content
    picture = cv2.imdecode(np.frombuffer(shown.content, np.uint8), cv2.IMREAD_COLOR)
    assert picture.shape[:2] == (240, 320)
    assert abs(float(picture[120, 160].mean()) - 228) < 12  # the plate's well, not black
    piece = client.get(f"/api/readings/{reading['id']}/photo.jpg", params={"size": "piece"})
    picture = cv2.imdecode(np.frombuffer(piece.content, np.uint8), cv2.IMREAD_COLOR)
    assert max(picture.shape) <= 480
    if reading["piece"]["status"] == "found":
        assert picture.shape[1] / picture.shape[0] < 1.2  # the table left and right of the plate is cut away


def test_hints_are_taken_and_the_photo_can_be_read_again_with_them(
    client: httpx.Client, drop_plate: bytes
) -> None:
    hinted = read(client, drop_plate, data={"neutral": "480,360", "trace": "207,360;245,220;330,135"})
    assert hinted.status_code == 201, hinted.text
    again = client.post(f"/api/readings/{hinted.json()['id']}/again", json={"neutral": "480,360"})
    assert again.status_code == 201, again.text
    assert again.json()["id"] != hinted.json()["id"]
    assert again.json()["photo"] == hinted.json()["photo"]


def test_a_measured_diameter_is_the_size_and_holds_until_another_is_told(
    client: httpx.Client, drop_plate: bytes
) -> None:
    reading = read(client, drop_plate, data={"diameter_mm": "265.5"}).json()
    told = {"diameter_mm": 265.5, "low_mm": 265.5, "high_mm": 265.5, "from": "told"}
    assert reading["piece"]["size"] == told
    address = f"/api/readings/{reading['id']}/again"
    held = client.post(address, json={"neutral": "480,360"}).json()
    assert held["piece"]["size"] == told
    corrected = client.post(address, json={"diameter_mm": 210}).json()
    assert corrected["piece"]["size"]["diameter_mm"] == 210
    refused = client.post(address, json={"diameter_mm": 5})
    assert refused.status_code == 422
    assert "20 to 1000 millimetres" in refused.json()["detail"]


def test_another_diameter_under_the_same_key_is_refused(client: httpx.Client, drop_plate: bytes) -> None:
    headers = {"Idempotency-Key": "measured-1"}
    first = read(client, drop_plate, headers=headers, data={"diameter_mm": "265"})
    assert read(client, drop_plate, headers=headers, data={"diameter_mm": "265"}).json() == first.json()
    assert read(client, drop_plate, headers=headers, data={"diameter_mm": "210"}).status_code == 422


def test_the_same_key_and_photo_give_the_same_reading_once(
    client: httpx.Client, drop_plate: bytes, star_plate: bytes
) -> None:
    headers = {"Idempotency-Key": "reading-1"}
    first, second = read(client, drop_plate, headers=headers), read(client, drop_plate, headers=headers)
    assert first.json() == second.json()
    assert second.status_code == 201
    other = read(client, star_plate, headers=headers)
    assert other.status_code == 422
    assert "Idempotency-Key" in other.json()["detail"]


def test_a_reading_survives_a_restart(make_server: Callable, tmp_path: Path, drop_plate: bytes) -> None:
    running = make_server(tmp_path / "data", "--empty")
    with running.client() as client:
        reading = read(client, drop_plate).json()
        strip = client.get(f"/api/readings/{reading['id']}/strip.png")
    running.stop()
    running = make_server(tmp_path / "data")
    with running.client() as client:
        assert client.get(f"/api/readings/{reading['id']}").json() == reading
        assert client.get(f"/api/readings/{reading['id']}/strip.png").content == strip.content
        confirmed = client.post(f"/api/readings/{reading['id']}/confirmation", json={"motif": "Pip Row"})
        assert confirmed.status_code == 201
        assert client.get("/api/health").json()["gallery"]["items"] == 1  # started empty, stays so
    running.stop()


def test_the_documented_reading_names_every_fact_of_the_model() -> None:
    shape = schemas.Reading.model_json_schema()
    reading = model_facts.Reading.__dataclass_fields__
    assert set(shape["properties"]) == set(reading)
    for name, kind in {
        "Trim": model_facts.Trim,
        "Rim": model_facts.Rim,
        "Light": model_facts.Light,
        "Border": model_facts.Border,
        "Candidate": model_facts.Candidate,
        "Line": model_facts.Line,
        "Sector": model_facts.Sector,
        "Ellipse": model_facts.Ellipse,
        "Photo": model_facts.PhotoFacts,
    }.items():
        assert set(shape["$defs"][name]["properties"]) == set(kind.__dataclass_fields__), name
    assert set(shape["$defs"]["Size"]["properties"]) == {"diameter_mm", "low_mm", "high_mm", "from"}


def test_the_interface_document_lists_every_route(client: httpx.Client) -> None:
    document = client.get("/openapi.json").json()
    routes = {(method.upper(), path) for path, methods in document["paths"].items() for method in methods}
    assert {
        ("POST", "/api/readings"),
        ("GET", "/api/readings/{reading_id}"),
        ("GET", "/api/readings/{reading_id}/strip.png"),
        ("POST", "/api/readings/{reading_id}/confirmation"),
        ("POST", "/api/gallery"),
        ("GET", "/api/gallery"),
        ("DELETE", "/api/gallery/{item_id}"),
        ("POST", "/api/undo"),
        ("GET", "/api/health"),
    } <= routes
    for path, methods in document["paths"].items():
        for method, route in methods.items():
            if method == "post":
                names = {parameter["name"] for parameter in route["parameters"]}
                assert "Idempotency-Key" in names, path
            for status, answer in route["responses"].items():
                if status.startswith("4"):
                    assert list(answer["content"]) == ["application/problem+json"], (path, status)
    assert "Reading" in json.dumps(document["paths"]["/api/readings"]["post"]["responses"]["201"])
