"""A server killed at any moment has lost nothing that it acknowledged, and starts again."""

from __future__ import annotations

import random
import sqlite3
import threading
import time
from collections.abc import Callable
from pathlib import Path

import httpx
import pytest

from service import ledger
from service.errors import StoreError
from service.folder_lock import ServingLock, read_serving
from service.start_up import recover
from service.store import open_store

KILLS = 3  # a short run; each costs a start of the server
SEED = 11


def confirm_until_killed(url: str, readings: list[str], acknowledged: dict[str, str]) -> None:
    """Confirm one reading after the other under a new name each time; note what was acknowledged."""
    with httpx.Client(base_url=url, timeout=30) as client:
        for number in range(10_000):
            reading = readings[number % len(readings)]
            motif = f"motif {number} {time.monotonic_ns()}"
            try:
                answer = client.post(f"/api/readings/{reading}/confirmation", json={"motif": motif})
            except httpx.HTTPError:
                return
            if answer.status_code == 201:
                acknowledged[reading] = motif


def test_every_acknowledged_confirmation_survives_a_kill(
    make_server: Callable, tmp_path: Path, drop_plate: bytes
) -> None:
    data = tmp_path / "data"
    chance = random.Random(SEED)
    running = make_server(data, "--empty")
    with running.client() as client:
        readings = [client.post("/api/readings", files={"photo": drop_plate}).json()["id"] for _ in range(2)]
    acknowledged: dict[str, str] = {}
    for _ in range(KILLS):
        mine = [
            threading.Thread(target=confirm_until_killed, args=(running.url, [reading], acknowledged))
            for reading in readings
        ]
        for thread in mine:
            thread.start()
        begun = time.monotonic()
        while len(acknowledged) < len(readings) and time.monotonic() < begun + 60:
            time.sleep(0.01)
        time.sleep(chance.random() * 0.5)
        running.process.kill()
        for thread in mine:
            thread.join()
        running.process.wait()
        running = make_server(data)
        with running.client() as client:
            items = {i["reading_id"]: i for i in client.get("/api/gallery").json()["items"]}
            for reading, motif in acknowledged.items():
                # One more may have been stored without its answer having got through.
                stored = int(items[reading]["motif"].split()[2])
                assert stored >= int(motif.split()[2])
                assert client.get(f"/api/readings/{reading}/photo.jpg").status_code == 200
    assert len(acknowledged) == len(readings)
    connection = sqlite3.connect(data / "rimlight.sqlite3")
    assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    assert connection.execute("PRAGMA foreign_key_check").fetchall() == []
    connection.close()


def test_a_reading_whose_photo_was_lost_is_not_confirmed_until_it_is_sent_again(
    make_server: Callable, tmp_path: Path, drop_plate: bytes
) -> None:
    data = tmp_path / "data"
    with make_server(data, "--empty").client() as client:
        reading = client.post("/api/readings", files={"photo": drop_plate}).json()["id"]
        next((data / "photos").glob("??/*")).unlink()
        lost = client.post(f"/api/readings/{reading}/confirmation", json={"motif": "Marram"})
        assert lost.status_code == 404
        assert "send the photo again" in lost.json()["detail"]
        client.post("/api/readings", files={"photo": drop_plate})
        found = client.post(f"/api/readings/{reading}/confirmation", json={"motif": "Marram"})
        assert found.status_code == 201


def test_a_server_after_a_killed_one_sets_its_leftovers_aside_and_says_so(
    make_server: Callable, tmp_path: Path
) -> None:
    data = tmp_path / "data"
    first = make_server(data, "--empty")
    (data / "photos" / "incoming").mkdir(parents=True)
    (data / "photos" / "incoming" / "half.part").write_bytes(b"half")
    first.process.kill()
    first.process.wait()
    with make_server(data).client() as client:
        assert client.get("/api/health").status_code == 200
    assert (data / "quarantine" / "half.part").read_bytes() == b"half"


def test_what_a_start_finds_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    store = open_store(tmp_path / "data")
    with store.writing() as tx:
        ledger.log_change(tx, "test", "start", None, None)
    assert recover(store, ended_badly=True) == []
    monkeypatch.setattr("service.check.now", lambda: "2001-01-01T00:00:00.000Z")
    assert "set back" in recover(store, ended_badly=False)[0]
    store.close()


def test_only_a_server_that_ended_by_itself_leaves_its_lock_empty(tmp_path: Path) -> None:
    lock = ServingLock(tmp_path)
    assert not lock.ended_badly
    lock.tell({"address": "http://127.0.0.1:1/"})
    assert read_serving(tmp_path)["address"] == "http://127.0.0.1:1/"
    with pytest.raises(StoreError, match="Another rimlight serves"):
        ServingLock(tmp_path)
    lock._stream.close()  # as the end of its process would
    assert read_serving(tmp_path) is None
    after = ServingLock(tmp_path)
    assert after.ended_badly
    after.release()
    last = ServingLock(tmp_path)
    assert not last.ended_badly
    last.release()
