"""A real server process, a real command line, drawn photos and a digest of what is stored."""

from __future__ import annotations

import hashlib
import json
import os
import sqlite3
import subprocess
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import cv2
import httpx
import numpy as np
import pytest

ROOT = Path(__file__).resolve().parents[2]
GOLD_BGR, PLATINUM_BGR = (70, 140, 175), (140, 145, 150)


def draw_plate(motif: str = "drop", bgr: tuple[int, int, int] = GOLD_BGR, turn_deg: float = 0.0) -> bytes:
    """A round plate with a stamped border and an edge line, drawn flat, as JPEG bytes."""
    height, width = 720, 960
    centre, radius = (width / 2, height / 2), 310.0
    picture = np.full((height, width, 3), (70, 84, 96), np.uint8)
    middle = (round(centre[0]), round(centre[1]))
    cv2.circle(picture, middle, round(radius), (232, 236, 238), -1, cv2.LINE_AA)
    cv2.circle(picture, middle, round(radius * 0.72), (224, 228, 231), 3, cv2.LINE_AA)
    cv2.circle(picture, middle, round(radius - 5), bgr, 6, cv2.LINE_AA)
    for number in range(30):
        angle = np.radians(turn_deg + number * 12.0)
        place = np.array([np.cos(angle), np.sin(angle)]) * radius * 0.88 + centre
        _stamp(picture, motif, place, np.degrees(angle), bgr)
    picture = cv2.GaussianBlur(picture, (0, 0), 0.8)
    noise = np.random.default_rng(7).normal(0, 1.5, picture.shape)
    picture = np.clip(picture + noise, 0, 255).astype(np.uint8)
    return cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, 92])[1].tobytes()


def _stamp(picture: np.ndarray, motif: str, place: np.ndarray, angle_deg: float, bgr: tuple) -> None:
    x, y = (round(float(value)) for value in place)
    if motif == "drop":
        cv2.ellipse(picture, (x, y), (17, 6), angle_deg, 0, 360, bgr, -1, cv2.LINE_AA)
        cv2.ellipse(picture, (x, y), (7, 20), angle_deg, 0, 360, bgr, 3, cv2.LINE_AA)
    else:
        box = cv2.boxPoints(((x, y), (24, 24), angle_deg + 45))
        cv2.polylines(picture, [np.round(box).astype(np.int32)], True, bgr, 4, cv2.LINE_AA)
        cv2.circle(picture, (x, y), 6, bgr, -1, cv2.LINE_AA)


@pytest.fixture(scope="session")
def drop_plate() -> bytes:
    return draw_plate("drop")


@pytest.fixture(scope="session")
def star_plate() -> bytes:
    return draw_plate("star")


@pytest.fixture(scope="session")
def plates() -> Callable[..., bytes]:
    return draw_plate


def _environment() -> dict[str, str]:
    kept = {name: value for name, value in os.environ.items() if name != "RIMLIGHT_DATA"}
    paths = [path for path in kept.get("PYTHONPATH", "").split(os.pathsep) if path]
    return kept | {"PYTHONPATH": os.pathsep.join([*paths, str(ROOT)])}


@dataclass
class Server:
    """A running server process."""

    url: str
    data: Path
    process: subprocess.Popen[str]

    def client(self) -> httpx.Client:
        return httpx.Client(base_url=self.url, timeout=120)

    def stop(self) -> None:
        """Stop it and wait; again is no harm."""
        self.process.terminate()
        self.process.wait(60)
        assert self.process.stdout is not None
        self.process.stdout.close()


def start_server(data: Path, *options: str) -> Server:
    command = [sys.executable, "-m", "service.cli", "serve", "--port", "0", "--data", str(data), *options]
    process = subprocess.Popen(
        command, stdout=subprocess.PIPE, text=True, env=_environment(), cwd=data.parent
    )
    assert process.stdout is not None
    first_line = process.stdout.readline()
    assert "://127.0.0.1:" in first_line, first_line
    return Server(first_line.split()[3].rstrip("/"), data, process)


@pytest.fixture()
def make_server() -> Iterator[Callable[..., Server]]:
    """Starts servers of a test's own; whatever happens, they are stopped after it."""
    started: list[Server] = []

    def start(data: Path, *options: str) -> Server:
        started.append(start_server(data, *options))
        return started[-1]

    yield start
    for running in started:
        running.stop()


@pytest.fixture(scope="session")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    running = start_server(tmp_path_factory.mktemp("service") / "data", "--empty")
    yield running
    running.stop()


@pytest.fixture(scope="session")
def client(server: Server) -> Iterator[httpx.Client]:
    with server.client() as open_client:
        yield open_client


@pytest.fixture(scope="session")
def rimlight() -> Callable[..., subprocess.CompletedProcess[str]]:
    """Runs a command of the real command line."""

    def run(*arguments: object, cwd: Path | None = None) -> subprocess.CompletedProcess[str]:
        command = [sys.executable, "-m", "service.cli", *map(str, arguments)]
        return subprocess.run(
            command, capture_output=True, text=True, env=_environment(), cwd=cwd, check=False, timeout=300
        )

    return run


TABLES = ("photo", "reading", "vector", "motif", "gallery_item", "change", "answer", "register_record")


def digest_store(data: Path) -> str:
    """Hash of every stored row and file; a strip made again or a cached picture is no change."""
    joined = hashlib.sha256()
    with sqlite3.connect(data / "rimlight.sqlite3") as connection:
        for table in TABLES:
            cursor = connection.execute(f"SELECT * FROM {table} ORDER BY 1")
            names = [column[0] for column in cursor.description]
            for row in cursor:
                kept = [repr(v) for n, v in zip(names, row, strict=True) if n != "strip_file"]
                joined.update(json.dumps([table, *kept]).encode())
    connection.close()
    for path in sorted((data / "photos").rglob("*")):
        joined.update(path.name.encode())
    return joined.hexdigest()


@pytest.fixture(scope="session")
def digest() -> Callable[[Path], str]:
    return digest_store
