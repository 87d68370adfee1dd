"""Measure what networks said of photos they never saw, for the trim's fits.

    python -m training.witness_rows --run RUN --keep DIR --out FILE

RUN is a folder of `training.train_witness` with ``held_out_*.npz``: by number the folds, by a word photos
that the final network never saw. DIR holds what `training.pack_witness` kept of each photo. Written is one
file of JSON lines (xz), one `PhotoRow` a photo: regions, measures and wear as the product would measure
them, beside the truth.
"""

from __future__ import annotations

import argparse
import json
import lzma
import multiprocessing
import os
import pickle
import traceback
from collections.abc import Iterator
from dataclasses import asdict
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt
from tqdm import tqdm

from model.witness import Answer
from model.witness_input import place_windows
from training.kept_photo import KeptPhoto
from training.trim_features_table import row_of_trim

Task = tuple[Path, int, npt.NDArray[np.float32], npt.NDArray[np.float32], npt.NDArray[np.uint8]]
FINAL = -1  # instead of the number of a fold
STEPS = 255  # of a chance as it is kept


def list_tasks(run: Path, keep: Path) -> Iterator[Task]:
    """File, fold (or FINAL), verdict, whole and cells of every photo that was answered for and kept."""
    for path in sorted(run.glob("held_out_*.npz")):
        word = path.stem.rsplit("_", 1)[1]
        fold = int(word) if word.isdigit() else FINAL
        with np.load(path) as archive:
            names, verdict, whole, cells = (archive[n] for n in ("names", "verdict", "whole", "cells"))
        for number, name in enumerate(names):
            file = keep / f"{name}.pickle"
            if file.exists():
                yield file, fold, verdict[number], whole[number], cells[number]


def measure_task(task: Task) -> str | None:
    """The photo's row as a JSON line; None, with its name printed, where it cannot be measured."""
    file, fold, verdict, whole, cells = task
    try:
        photo: KeptPhoto = pickle.loads(file.read_bytes())
        count = len(place_windows(photo.strip).starts)
        answer = Answer(verdict, whole, cells[:count].astype(np.float32) / np.float32(STEPS))
        return json.dumps(asdict(row_of_trim(photo, answer, fold)), separators=(",", ":"))
    except Exception:  # one bad photo must not end the run; it is named
        print(file.stem, traceback.format_exc(limit=-2), flush=True)
        return None


def main() -> None:
    """Measure all photos of a run."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--run", type=Path, required=True)
    parser.add_argument("--keep", type=Path, required=True, help="folder of kept photos")
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--workers", type=int, default=os.cpu_count() or 1)
    told = parser.parse_args()
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    lines: list[str] = []
    with multiprocessing.get_context("spawn").Pool(told.workers, cv2.setNumThreads, (1,)) as pool:
        steps: Any = pool.imap(measure_task, list_tasks(told.run, told.keep), chunksize=4)
        for line in tqdm(steps, desc="photos", unit="photo"):
            if line is not None:
                lines.append(line)
    told.out.write_bytes(lzma.compress("".join(f"{line}\n" for line in lines).encode(), preset=6))
    print(f"{len(lines)} photos, {told.out.stat().st_size / 1e6:.1f} MB")


if __name__ == "__main__":
    main()
