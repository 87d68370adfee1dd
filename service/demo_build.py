"""Writes ``demo/vectors.npz`` with the shipped weights: ``python -m service.demo_build``.

Run it after every change of the weights, of the recipe's steps, or of the demo photos.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

from service.actions import Actions
from service.demo_gallery import DEMO_FOLDER, read_demo_labels, save_prepared
from service.store import open_store
from service.worker import Worker


def build_demo(folder: Path = DEMO_FOLDER) -> int:
    """Read every demo photo and write the vectors; returns how many photos gave none."""
    worker = Worker()
    with tempfile.TemporaryDirectory() as scratch:
        store = open_store(Path(scratch))
        try:
            actions = Actions(store, worker, "build")
            names = read_demo_labels(folder)
            readings = {name: actions.read_only((folder / name).read_bytes()) for name in names}
        finally:
            store.close()
            worker.close()
    for new in readings.values():
        new.facts["timing_ms"] = {}  # of the building machine: says nothing here
        new.facts["candidates"] = []
    save_prepared(folder / "vectors.npz", readings)
    without = [name for name, new in readings.items() if not new.crops]
    for name in without:
        print(f"no border found: {name}", file=sys.stderr)
    print(f"{len(readings)} photos, {sum(len(new.crops) for new in readings.values())} vectors")
    return len(without)


if __name__ == "__main__":
    sys.exit(1 if build_demo() else 0)
