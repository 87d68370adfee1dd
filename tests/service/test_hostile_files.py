"""Two generated corpora through a real server: what must be refused, and what must be read safely.

Limits of the product: a refusal takes at most a second and 256 MB above idle, and the server lives on.
"""

from __future__ import annotations

import hashlib
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import cv2
import httpx
import numpy as np
import pytest

from service.trials import hostile
from service.trials.running import measure_peaks

LIMIT_S, LIMIT_BYTES = 1.0, 256_000_000
ODD = hostile.list_odd()
REFUSED = hostile.list_refused()
CUTS = sorted(name for name in REFUSED if " cut at place " in name)
WHOLE = sorted(set(REFUSED) - set(CUTS))


@pytest.fixture(scope="module", autouse=True)
def warm(client: httpx.Client, drop_plate: bytes) -> None:
    """Idle means: after a photo was read, with everything loaded."""
    client.post("/api/readings", files={"photo": drop_plate}).raise_for_status()


@pytest.fixture(autouse=True, scope="module")
def stays_alive(server) -> Iterator[None]:
    yield
    assert server.process.poll() is None


def send(client: httpx.Client, data: bytes, name: str = "a.jpg") -> tuple[httpx.Response, float]:
    start = time.perf_counter()
    answer = client.post("/api/readings", files={"photo": (name, data)})
    return answer, time.perf_counter() - start


def check_refusal(client: httpx.Client, data: bytes) -> None:
    answer, took_s = send(client, data)
    if took_s > LIMIT_S:  # a busy machine may stumble once
        answer, took_s = send(client, data)
    assert 400 <= answer.status_code < 500, answer.text[:200]
    assert answer.headers["content-type"] == "application/problem+json"
    assert len(answer.json()["detail"]) > 20
    assert took_s <= LIMIT_S


@pytest.mark.parametrize("name", WHOLE)
def test_a_hostile_file_is_refused_quickly_within_little_memory(
    server, client: httpx.Client, name: str
) -> None:
    data = REFUSED[name]()
    idle = measure_peaks(server.process.pid, reset=True)
    check_refusal(client, data)
    most = measure_peaks(server.process.pid)
    if idle is not None and most is not None:  # told on Linux
        assert most - idle <= LIMIT_BYTES
    assert client.get("/api/health").json()["status"] == "ok"


def test_the_bomb_is_the_small_file_of_900_megapixels_it_should_be() -> None:
    # A one-bit 30000 x 30000 PNG of about 109 kB takes a plain decoder 5.2 GiB, 14.6 s: measured, OpenCV 5.
    data = REFUSED["a one-bit PNG of 900 megapixels"]()
    assert 100_000 < len(data) < 120_000


def test_a_file_cut_at_any_marker_is_refused_quickly(client: httpx.Client) -> None:
    assert len(CUTS) > 150
    for name in CUTS:
        check_refusal(client, REFUSED[name]())
    assert client.get("/api/health").json()["status"] == "ok"


@pytest.mark.parametrize("name", ODD)
def test_an_odd_file_is_read_and_only_its_re_encoded_first_picture_is_served(
    server, client: httpx.Client, name: str
) -> None:
    file_name, data = ODD[name]
    answer, _ = send(client, data, file_name.replace("\0", ""))
    assert answer.status_code == 201, answer.text[:300]
    reading = answer.json()
    rows, columns = hostile.draw_plate().shape[:2]
    assert (reading["photo"]["width"], reading["photo"]["height"]) == (columns, rows)
    assert reading["photo"]["sha256"] == hashlib.sha256(data).hexdigest()
    served = client.get(f"/api/readings/{reading['id']}/photo.jpg")
    assert served.headers["content-type"] == "image/jpeg"
    assert served.headers["x-content-type-options"] == "nosniff"
    check_no_leftovers(served.content)
    shown = cv2.imdecode(np.frombuffer(served.content, np.uint8), cv2.IMREAD_COLOR)
    assert shown.shape == (rows, columns, 3)
    if "alpha" not in name:
        assert np.abs(shown[..., 1].astype(int) - hostile.draw_plate()[..., 1]).mean() < 6


def check_no_leftovers(served: bytes) -> None:
    assert served[-2:] == b"\xff\xd9"
    for left in (b"SERIAL", b"PK\x03\x04", b"<script", b"ftyp", b"Exif", b"ICC_PROFILE"):
        assert left not in served


def test_what_is_kept_of_an_odd_file_holds_no_serial_number_and_nothing_behind_its_end(
    server, client: httpx.Client, digest: Callable[[Path], str]
) -> None:
    for name in ("a JPEG with large EXIF", "a WebP with both", "a JPEG with an archive behind it"):
        send(client, ODD[name][1])[0].raise_for_status()
    for path in (server.data / "photos").rglob("*.*"):
        kept = path.read_bytes()
        assert b"SERIAL-77" not in kept
        assert b"PK\x03\x04" not in kept
