"""Time and memory of taking a large register out and in: ``python -m service.trials.archives``.

Makes a register of invented pieces with a small photo each, exports it, imports it into an empty folder,
exports that again and compares the bytes. Each step runs in a process of its own, so that its peak memory is
its own; a fifth of the pieces runs first, to show whether memory grows with them.
"""

from __future__ import annotations

import argparse
import filecmp
import json
import multiprocessing
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from service.trials.running import RESULTS, describe_run

VECTORS_A_PHOTO, DIMENSION = 12, 128
PIECES_A_CHANGE = 200


def fill(folder: str, pieces: int, seed: int) -> None:
    """A register of so many pieces, each with a photo of noise and its vectors."""
    import io

    import numpy as np
    from PIL import Image

    from service import items
    from service.exchange.one_change import OneChange
    from service.kept import Crop, NewReading
    from service.register.adding import put_new
    from service.store import open_store

    rng = np.random.default_rng(seed)
    store = open_store(Path(folder))
    for first in range(0, pieces, PIECES_A_CHANGE):
        new = []
        for number in range(first, min(first + PIECES_A_CHANGE, pieces)):
            out = io.BytesIO()
            Image.fromarray(rng.integers(0, 256, (80, 100, 3), np.uint8)).save(out, "JPEG", quality=85)
            vectors = rng.normal(size=(VECTORS_A_PHOTO, DIMENSION)).astype("<f4")
            vectors /= np.linalg.norm(vectors, axis=1, keepdims=True)
            crops = tuple(Crop((0, 0, 1, 1), 0.0, False, 1.0, row.tobytes()) for row in vectors)
            photo = {"width": 100, "height": 80, "sha256": f"{number:064x}", "taken_at": None}
            facts = {"id": f"r{number}", "photo": photo}
            new.append(NewReading(facts, 10, out.getvalue(), "jpg", out.getvalue()[:2000], "recipe", crops))
        files = [store.keep_files(reading) for reading in new]
        with store.writing() as tx:
            change = OneChange(tx, "trial")
            for reading, kept in zip(new, files, strict=True):
                number = int(reading.facts["id"][1:])
                store.insert_reading(tx, reading, kept)
                motif = f"Motif {number % 60}"
                items.insert_item(tx, reading.facts["id"], motif, {"metal": "gold"}, None)
                seen = {"motif": motif, "metal": "gold", "number": f"OS-{number % 400}"}
                piece = {
                    "number": str(number),
                    "piece_kind": "dinner plate",
                    "photos": [{"reading_id": reading.facts["id"]}],
                    "decorations": [seen],
                }
                with change.part() as draft:
                    put_new(draft, "piece", piece, new_names=True)
            change.log("add pieces")
    store.close()


def export(folder: str, archive: str) -> None:
    """Everything out."""
    from service.exchange.whole import export_everything
    from service.store import open_store

    store = open_store(Path(folder))
    export_everything(store, Path(archive), lambda steps, _total, _what: steps)
    store.close()


def take_in(folder: str, archive: str) -> None:
    """Everything in."""
    from service.exchange.archive import Archive
    from service.exchange.whole import import_everything
    from service.store import open_store

    store = open_store(Path(folder))
    with Archive(Path(archive)) as whole:
        import_everything(store, whole, lambda steps, _total, _what: steps)
    store.close()


def _measured(step: str, arguments: tuple[Any, ...], answer: Any) -> None:
    start = time.monotonic()
    steps: dict[str, Callable[..., None]] = {"fill": fill, "export": export, "import": take_in}
    steps[step.split()[0]](*arguments)
    answer.send((round(time.monotonic() - start, 1), peak_mb()))


def peak_mb() -> int | None:
    """Peak memory of this process; None where the system does not tell.

    Not ``ru_maxrss``: a child takes that over from the process that started it.
    """
    try:
        status = Path("/proc/self/status").read_text()
    except OSError:
        return None
    return round(
        int(next(line.split()[1] for line in status.splitlines() if line.startswith("VmHWM"))) / 1000
    )


def measure(step: str, *arguments: Any) -> tuple[float, int | None]:
    """Seconds and peak memory in MB of one step in a process of its own."""
    context = multiprocessing.get_context("spawn")
    here, there = context.Pipe()
    process = context.Process(target=_measured, args=(step, arguments, there))
    process.start()
    there.close()
    try:
        found: tuple[float, int | None] = here.recv()
    finally:
        process.join()
    return found


def run(pieces: int, seed: int) -> dict[str, Any]:
    """One size: all steps, and whether the second archive is the first byte for byte."""
    with tempfile.TemporaryDirectory() as place:
        one, other = Path(place) / "one.zip", Path(place) / "other.zip"
        home, away = str(Path(place) / "home"), str(Path(place) / "away")
        steps = {"fill": measure("fill", home, pieces, seed)}
        steps["export"] = measure("export", home, str(one))
        steps["import"] = measure("import", away, str(one))
        steps["export again"] = measure("export again", away, str(other))
        same = filecmp.cmp(one, other, shallow=False)
        size = one.stat().st_size
    return {
        "pieces": pieces,
        "archive_mb": round(size / 1e6, 1),
        "byte_equal": same,
        "seconds": {name: seconds for name, (seconds, _) in steps.items()},
        "peak_mb": {name: peak for name, (_, peak) in steps.items()},
    }


def main() -> None:
    """Run both sizes and write the result."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--pieces", type=int, default=10_000)
    parser.add_argument("--seed", type=int, default=11)
    parser.add_argument("--out", type=Path, default=RESULTS / "archives.json")
    told = parser.parse_args()
    runs = [run(pieces, told.seed) for pieces in (told.pieces // 5, told.pieces)]
    result = {"trial": "everything out and in", "runs": runs} | describe_run(told.seed)
    told.out.write_text(json.dumps(result, indent=1) + "\n", encoding="utf-8")
    print(json.dumps(result, indent=1))


if __name__ == "__main__":
    main()
