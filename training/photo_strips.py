"""Run the chain up to the evidence of the light over a folder of rendered photos and keep what its fit needs.

The slow half of the fit: decoding, piece, strip and evidence do not depend on any number that is fitted
here, so they are cached, one file a photo.
"""

from __future__ import annotations

import multiprocessing
import os
import pickle
import zlib
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt

from model.bands import separate_print
from model.light_evidence import measure_evidence
from model.photo import decode_photo
from model.piece import find_piece
from model.rim_band import unroll_rim
from model.scene_statistics import measure_scene
from model.straighten import straighten_strip
from model.surroundings import SceneColours, Surroundings, look_around
from training.trim_truth import PhotoTruth, read_truth


@dataclass(frozen=True, eq=False)
class MeasuredPhoto:
    """Evidence of one photo's light. ``recast``: scene statistics under other casts, with their whites."""

    file: str
    truth: PhotoTruth
    evidence: dict[str, npt.NDArray[np.float64]]
    recast: list[dict[str, list[float]]]
    colours: SceneColours


def measure_photos(folder: Path, cache: Path | None, workers: int = 2) -> list[Path]:
    """Measure every photo that has a truth beside it; return the cache files, made where missing.

    Parameters
    ----------
    cache
        Folder for the cache files, kept between runs; it must be emptied when the chain changes.
    """
    photos = sorted(path for path in folder.glob("*.jpg") if path.with_suffix(".json").exists())
    cache = folder / "measured" if cache is None else cache
    cache.mkdir(parents=True, exist_ok=True)
    todo = [(path, cache / f"{path.stem}.pkl") for path in photos]
    missing = [pair for pair in todo if not pair[1].exists()]
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    if workers > 1 and len(missing) > 1:
        with multiprocessing.get_context("spawn").Pool(workers, cv2.setNumThreads, (1,)) as pool:
            pool.starmap(_measure_into, missing, chunksize=4)
    else:
        for photo, target in missing:
            _measure_into(photo, target)
    return [target for _, target in todo]


def _measure_into(photo: Path, target: Path) -> None:
    part = target.with_suffix(".part")
    part.write_bytes(pickle.dumps(measure_photo(photo), protocol=5))
    part.rename(target)


def measure_photo(path: Path) -> MeasuredPhoto:
    """Read one photo as the product does, up to the evidence of the light."""
    truth = read_truth(path.with_suffix(".json"))
    photo = decode_photo(path.read_bytes())
    piece = find_piece(photo)
    around = look_around(photo, piece)
    strip = unroll_rim(photo, piece)
    strip = None if strip is None else straighten_strip(strip)
    bands = None if strip is None else separate_print(strip)
    return MeasuredPhoto(
        file=path.name,
        truth=truth,
        evidence=measure_evidence(photo, around, piece.paper, strip, bands, None),
        recast=[recast_scene(around, truth, path.name)],
        colours=around.colours,
    )


def load_photo(path: Path) -> MeasuredPhoto:
    """Read a cache file back."""
    measured: MeasuredPhoto = pickle.loads(path.read_bytes())
    return measured


def recast_scene(around: Surroundings, truth: PhotoTruth, name: str) -> dict[str, list[float]]:
    """Statistics of the same scene under another cast along the colours of lamps and daylight."""
    rng = np.random.default_rng(zlib.crc32(name.encode()))
    warm = rng.normal(0.1, 0.25)
    cast = np.exp([0.5 * warm + rng.normal(0, 0.03), 0.0, -1.0 * warm + rng.normal(0, 0.04)])
    cast /= max(cast)
    other = replace(around, linear_rgb=(around.linear_rgb * cast).astype(np.float32))
    white = np.array(truth.white_rgb) * cast
    return {"statistics": list(measure_scene(other).values()), "white_rgb": (white / white[1]).tolist()}
