"""Measure what a run's networks labelled: ``python -m training.witness_rows PACK... --run DIR``.

Reads the chances that `training.train_witness` kept for photos which the answering network never saw, and
writes ``measured.json.xz``: facts and measures of each photo, as `model.witness` would measure them.
"""

from __future__ import annotations

import argparse
import json
import lzma
import multiprocessing
import os
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from tqdm import tqdm

from model.colour import decode_srgb
from model.witness_features import measure_labelled
from model.witness_input import WitnessWindows
from training.witness_data import read_photos

Measured = dict[str, Any]


def measure_photo(told: tuple[dict[str, Any], Any, Any]) -> dict[str, float]:
    """Measures of one unpacked photo, given its logits and the chances (k, 3, h, w) in 255ths."""
    part, logits, chances = told
    count = int(part["masks"][:, 0].any(axis=(1, 2)).sum())
    named = chances[:count].astype(np.float32) / 255
    labels = np.concatenate([1 - named.sum(axis=1, keepdims=True), named], axis=1)
    return measure_labelled(windows_of(part, count), labels, logits, part["white"][0].astype(np.float64))


def windows_of(part: dict[str, Any], count: int) -> WitnessWindows:
    """The first windows of an unpacked photo as the model cuts them."""
    linear, glaze = (
        decode_srgb(part[name][:count].transpose(0, 2, 3, 1).astype(np.float32) / 255).astype(np.float32)
        for name in ("pixels", "glaze")
    )
    masks = part["masks"][:count]
    return WitnessWindows(linear, glaze, masks[:, 0], masks[:, 1], 1.0, float(part["reach"]))


def main() -> None:
    """Measure all photos of the packs that the run answered for."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("packs", type=Path, nargs="+")
    parser.add_argument("--run", type=Path, required=True)
    parser.add_argument("--workers", type=int, default=os.cpu_count() or 1)
    told = parser.parse_args()
    with np.load(told.run / "held_out.npz") as archive:
        answers = {name: archive[name] for name in archive.files}
    at = {str(name): number for number, name in enumerate(answers["names"])}
    parts = [p for pack in told.packs for p in read_photos(pack) if p["facts"]["name"] in at]
    numbers = [at[part["facts"]["name"]] for part in parts]
    tasks = ((p, answers["logits"][k], answers["chances"][k]) for p, k in zip(parts, numbers, strict=True))
    with multiprocessing.get_context("spawn").Pool(told.workers, cv2.setNumThreads, (1,)) as pool:
        steps = pool.imap(measure_photo, tasks, chunksize=8)
        measures = list(tqdm(steps, total=len(parts), desc="photos", unit="photo"))
    rows = [
        {
            "facts": p["facts"],
            "fold": int(answers["fold"][k]),
            "measures": m,
            "cells": answers["cells"][k].tolist(),
        }
        for p, k, m in zip(parts, numbers, measures, strict=True)
    ]
    (told.run / "measured.json.xz").write_bytes(lzma.compress(json.dumps(rows).encode()))
    print(f"{len(rows)} photos measured")


if __name__ == "__main__":
    main()
