"""The real server on the real store, with a reading step that takes no time; for trials of what is stored.

Only ``Worker`` is replaced: files, transactions, routes, guard, start and recovery are the product's own.
As a command it waits for lines "FOLDER PORT" and forks a server for each, so that a start costs no imports.
"""

from __future__ import annotations

import hashlib
import os
import sys
from pathlib import Path
from typing import Any

import numpy as np

from service.actions import Actions
from service.demo_gallery import fill_new_gallery
from service.kept import Crop, NewReading
from service.serve import serve_pages
from service.store import open_store
from service.worker import Started, Worker

RECIPE_ID = "stand-in"
VECTORS, LENGTH = 4, 128


class StandInWorker(Worker):
    """Makes up a reading from the bytes alone: the same bytes give the same vectors."""

    def start(self) -> None:
        """There is nothing to start."""

    def wait_ready(self) -> Started:
        """Ready at once."""
        return Started(RECIPE_ID, None)

    def read(self, data: bytes, reading_id: str, *_: Any, **__: Any) -> NewReading:
        """A whole reading: photo, strip and vectors."""
        digest = hashlib.sha256(data).hexdigest()
        photo = {"width": 4, "height": 3, "sha256": digest, "taken_at": None}
        facts = {"id": reading_id, "photo": photo, "candidates": [], "strip_first_column_deg": 0.0}
        numbers = make_vectors(digest)
        crops = tuple(Crop((0.0, 0.0, 320.0, 96.0), 0.0, False, 1.0, row.tobytes()) for row in numbers)
        strip = b"strip of " + digest.encode()
        return NewReading(facts, len(data), data, "jpg", strip, RECIPE_ID, crops)

    def derive(self, data: bytes, *_: Any, **__: Any) -> bytes:
        """The photo as it is."""
        return data

    def close(self) -> None:
        """There is nothing to stop."""


def make_vectors(digest: str) -> np.ndarray[Any, np.dtype[np.float32]]:
    """(VECTORS, LENGTH) float32 unit rows that belong to a photo's hash."""
    rows = np.random.default_rng(int(digest[:16], 16)).normal(size=(VECTORS, LENGTH))
    unit: np.ndarray[Any, np.dtype[np.float32]] = (rows / np.linalg.norm(rows, axis=1, keepdims=True)).astype(
        "<f4"
    )
    return unit


def serve_stand_in(folder: Path, port: int) -> int:
    """Open, recover and serve a folder as ``rimlight serve`` does."""
    store = open_store(folder)
    actions = Actions(store, StandInWorker(), "page")
    fill_new_gallery(actions, True, lambda steps, _: steps)
    try:
        return serve_pages(actions, port, False)
    finally:
        store.close()


def main() -> None:
    """Fork one server a line; say its process id. The parent has no threads and opens no store."""
    for line in sys.stdin:
        folder, port = line.rstrip("\n").rsplit(" ", 1)
        child = os.fork()
        if child == 0:
            os.setsid()
            os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
            os._exit(serve_stand_in(Path(folder), int(port)))
        print(child, flush=True)
        os.waitpid(child, 0)
        print("ended", flush=True)


if __name__ == "__main__":
    main()
