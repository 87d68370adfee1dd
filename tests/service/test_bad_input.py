"""Bad input is a 4xx with a sentence, and what is stored does not change."""

from __future__ import annotations

import struct
import zlib
from collections.abc import Callable

import cv2
import httpx
import numpy as np
import pytest

PLATE = object()  # stands for the drawn plate's bytes


def png_header(width: int, height: int) -> bytes:
    """A small file that claims many pixels: one-bit PNG with hardly any data."""

    def chunk(kind: bytes, body: bytes) -> bytes:
        return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))

    head = struct.pack(">IIBBBBB", width, height, 1, 0, 0, 0, 0)
    data = zlib.compress(b"\0" * 10_000)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", data) + chunk(b"IEND", b"")


def small_picture(width: int, height: int) -> bytes:
    return cv2.imencode(".jpg", np.full((height, width, 3), 200, np.uint8))[1].tobytes()


BAD_PHOTOS = {
    "not an image": (b"hello, I am a text\n" * 50, {415}),
    "empty": (b"", {415, 422}),
    "a GIF": (b"GIF89a" + bytes(200), {415}),
    "zero size": (png_header(0, 0), {415, 422}),
    "huge dimensions in a small file": (png_header(30000, 30000), {413}),
    "just over 40 megapixels": (png_header(8000, 5001), {413}),
    "over 30 MB": (b"\xff\xd8\xff\xe0" + bytes(30_100_000), {413}),
    "far over 30 MB": (b"\xff\xd8\xff\xe0" + bytes(36_000_000), {413}),
    "a JPEG's first bytes": (b"\xff\xd8\xff", {415, 422}),
    "too few pixels": (small_picture(20, 16), {422}),
}


def check_problem(answer: httpx.Response, statuses: set[int]) -> None:
    assert answer.status_code in statuses, answer.text[:300]
    assert answer.headers["content-type"] == "application/problem+json"
    body = answer.json()
    assert set(body) == {"type", "title", "status", "detail"}
    assert body["status"] == answer.status_code
    assert len(body["detail"]) >= 10
    assert "Traceback" not in answer.text


@pytest.fixture(autouse=True)
def nothing_changes(server, digest: Callable):
    before = digest(server.data)
    yield
    assert digest(server.data) == before


@pytest.mark.parametrize("name", BAD_PHOTOS)
def test_a_bad_photo_is_refused_by_readings_and_by_the_gallery(client: httpx.Client, name: str) -> None:
    data, statuses = BAD_PHOTOS[name]
    check_problem(client.post("/api/readings", files={"photo": ("x.jpg", data)}), statuses)
    added = client.post("/api/gallery", files={"photo": ("x.jpg", data)}, data={"motif": "Marram"})
    check_problem(added, statuses)


@pytest.mark.parametrize("share", [0.1, 0.5, 0.9, 0.98])
def test_a_truncated_photo_is_refused(client: httpx.Client, drop_plate: bytes, share: float) -> None:
    cut = drop_plate[: int(len(drop_plate) * share)]
    check_problem(client.post("/api/readings", files={"photo": ("x.jpg", cut)}), {422})


def test_a_body_without_length_is_counted_while_it_streams(client: httpx.Client) -> None:
    def pieces():
        yield b'--b\r\nContent-Disposition: form-data; name="photo"; filename="x"\r\n\r\n'
        for _ in range(40):
            yield bytes(1_000_000)
        yield b"\r\n--b--\r\n"

    headers = {"Content-Type": "multipart/form-data; boundary=b"}
    check_problem(client.post("/api/readings", content=pieces(), headers=headers), {413})


BAD_FORMS = {
    "no photo": {},
    "neutral with one number": {"neutral": "5"},
    "neutral in words": {"neutral": "left,top"},
    "neutral not finite": {"neutral": "nan,3"},
    "neutral outside": {"neutral": "99999,3"},
    "two neutral points": {"neutral": "1,2;3,4"},
    "trace of one point": {"trace": "5,5"},
    "trace outside": {"trace": "-50,-50;-90,-90"},
    "trace a dot": {"trace": "100,100;101,100"},
    "trace in words": {"trace": "a,b;c,d"},
    "trace too long": {"trace": ";".join(["1,1"] * 5000)},
    "trace endless": {"trace": "1" * 70_000},
    "diameter of nothing": {"diameter_mm": "0"},
    "diameter below nothing": {"diameter_mm": "-265"},
    "diameter in words": {"diameter_mm": "ten inches"},
    "diameter in metres": {"diameter_mm": "0.265"},
    "diameter huge": {"diameter_mm": "1e9"},
    "diameter not finite": {"diameter_mm": "nan"},
    "unknown field": {"colour": "red"},
}


@pytest.mark.parametrize("name", BAD_FORMS)
def test_a_bad_form_is_refused(client: httpx.Client, drop_plate: bytes, name: str) -> None:
    fields = BAD_FORMS[name]
    files = {"photo": ("x.jpg", drop_plate)} if fields else {"other": ("x.jpg", drop_plate)}
    check_problem(client.post("/api/readings", files=files, data=fields), {413, 422})


BAD_LABELS = {
    "no motif": {"metal": "gold"},
    "blank motif": {"motif": "   "},
    "unknown metal": {"motif": "Marram", "metal": "brass"},
    "unknown state": {"motif": "Marram", "state": "mint"},
    "unknown label": {"motif": "Marram", "carat": "22"},
    "motif too long": {"motif": "M" * 200},
    "note too long": {"motif": "Marram", "note": "n" * 5000},
    "control characters": {"motif": "Mar\x07ram"},
}


@pytest.mark.parametrize("name", BAD_LABELS)
def test_bad_labels_are_refused_before_anything_is_stored(
    client: httpx.Client, drop_plate: bytes, name: str
) -> None:
    added = client.post("/api/gallery", files={"photo": drop_plate}, data=BAD_LABELS[name])
    check_problem(added, {422})
    check_problem(client.post("/api/readings/none/confirmation", json=BAD_LABELS[name]), {404, 422})


BAD_BODIES = {
    "not JSON": b'{"motif": ',
    "a list": b"[1]",
    "a number as motif": b'{"motif": 3}',
    "a lone surrogate": b'{"motif": "\\ud800"}',
    "not UTF-8": b'{"motif": "\xff\xfe"}',
    "empty": b"",
    "deep": b"[" * 5000 + b"]" * 5000,
    "too long": b'{"motif": "' + b"M" * 80_000 + b'"}',
}


@pytest.mark.parametrize("name", BAD_BODIES)
def test_a_bad_body_is_refused(client: httpx.Client, name: str) -> None:
    headers = {"Content-Type": "application/json"}
    for address in ("/api/readings/none/confirmation", "/api/readings/none/again"):
        answer = client.post(address, content=BAD_BODIES[name], headers=headers)
        check_problem(answer, {400, 404, 413, 422})


BAD_MULTIPART = {
    "a bare picture": ("image/jpeg", b"\xff\xd8\xff\xe0" + bytes(1000)),
    "no boundary": ("multipart/form-data", b"x"),
    "no part": ("multipart/form-data; boundary=b", b"xyz"),
    "an open end": (
        "multipart/form-data; boundary=b",
        b'--b\r\nContent-Disposition: form-data; name="photo"',
    ),
    "a text as photo": (
        "multipart/form-data; boundary=b",
        b'--b\r\nContent-Disposition: form-data; name="photo"\r\n\r\nhello\r\n--b--\r\n',
    ),
    "too many fields": (
        "multipart/form-data; boundary=b",
        b'--b\r\nContent-Disposition: form-data; name="a"\r\n\r\n1\r\n' * 1500 + b"--b--\r\n",
    ),
    "nothing": ("multipart/form-data; boundary=b", b""),
}


@pytest.mark.parametrize("name", BAD_MULTIPART)
def test_a_bad_multipart_body_is_refused(client: httpx.Client, name: str) -> None:
    kind, body = BAD_MULTIPART[name]
    for address in ("/api/readings", "/api/gallery"):
        check_problem(client.post(address, content=body, headers={"Content-Type": kind}), {400, 413, 422})


@pytest.mark.parametrize(
    ("method", "address", "status"),
    [
        ("GET", "/api/readings/none", 404),
        ("GET", "/api/readings/none/strip.png", 404),
        ("GET", "/api/readings/none/photo.jpg", 404),
        ("POST", "/api/readings/none/again", 404),
        ("GET", "/api/gallery/none", 404),
        ("GET", "/api/gallery/none/photo.jpg", 404),
        ("DELETE", "/api/gallery/none", 404),
        ("GET", "/readings/none", 404),
        ("GET", "/nowhere", 404),
        ("GET", "/static/../cli.py", 404),
        ("GET", "/static/%2e%2e/%2e%2e/cli.py", 404),
        ("GET", "/api/gallery?page=0", 422),
        ("GET", "/api/gallery?page=x", 422),
        ("GET", "/api/gallery?page=99999999999999999999", 422),
        ("GET", "/api/gallery?metal=brass", 422),
        ("GET", "/api/readings/none/photo.jpg?size=full", 422),
        ("GET", "/gallery?metal=brass", 422),
        ("PUT", "/api/readings", 405),
        ("GET", "/api/undo", 405),
        ("DELETE", "/api/gallery", 405),
        ("POST", "/api/health", 405),
        ("PATCH", "/", 405),
    ],
)
def test_unknown_ids_values_addresses_and_methods(
    client: httpx.Client, method: str, address: str, status: int
) -> None:
    body = {"json": {}} if address.endswith("again") else {}
    check_problem(client.request(method, address, **body), {status})


def test_a_wrong_method_is_told_the_right_ones(client: httpx.Client) -> None:
    assert client.put("/api/gallery").headers["allow"] == "GET, POST"
    assert client.put("/api/gallery/x").headers["allow"] == "DELETE, GET"


def test_an_unknown_change_and_a_bad_key_are_refused(client: httpx.Client) -> None:
    check_problem(client.post("/api/undo", json={"change": "none"}), {409})
    check_problem(client.post("/api/undo", json={"last": True}), {422})
    for key in ("", "x" * 300, "with space"):
        check_problem(client.post("/api/undo", headers={"Idempotency-Key": key}), {422})


def test_a_wrong_suffix_does_not_matter_to_the_check(client: httpx.Client) -> None:
    text = client.post("/api/readings", files={"photo": ("plate.png", b"text", "image/png")})
    check_problem(text, {415})
