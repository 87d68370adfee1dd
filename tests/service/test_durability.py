"""A server killed at any moment has lost nothing that it acknowledged, and starts again."""

from __future__ import annotations

import random
import sqlite3
import threading
import time
from collections.abc import Callable
from pathlib import Path

import httpx

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
        time.sleep(0.3 + chance.random() * 0.5)
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
