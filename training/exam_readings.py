"""Read a folder of pictures with known truth through the whole chain, once, for all exams.

    python -m training.exam_readings FOLDER [--cache DIR] [--workers 2] [--limit 700]

Each photo's reading is kept in a file of its own under a name made of the code and weights that read it, so
that a run may be stopped and gone on with, and a changed model reads anew. Nothing is fitted here.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import multiprocessing
import os
import pickle
import time
import zlib
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt
from tqdm import tqdm

from model import read
from model.errors import PhotoError
from model.network import Embedder
from model.scene_statistics import measure_scene
from model.surroundings import Surroundings
from model.trim import JudgedRegion

MODEL = Path(read.__file__).parent
MOTIF_ROLES = ("gallery", "query", "unknown", "look-alike")
GREY_QUALITY = 95


@dataclass(frozen=True)
class PhotoReading:
    """One photo: its truth, the public reading, and what the exams compare it with.

    Attributes
    ----------
    reading
        As the service answers it; None with ``failure`` where the photo could not be read.
    windows, weights, vectors
        What the motif is looked up by; windows (n, 3, h, w) uint8 compressed, for baselines only.
    statistics
        Log chromaticities of plain rules for the light; ``paper_white`` that of the sheet's true place.
    regions
        Features and log odds of each print that was judged.
    """

    name: str
    truth: dict[str, Any]
    reading: dict[str, Any] | None
    failure: str | None
    windows: bytes
    windows_shape: tuple[int, ...]
    weights: npt.NDArray[np.float32]
    vectors: npt.NDArray[np.float32]
    statistics: dict[str, float]
    paper_white: list[float] | None
    regions: list[dict[str, Any]]
    milliseconds: float

    def load_windows(self) -> npt.NDArray[np.uint8]:
        """The windows as an array."""
        return np.frombuffer(zlib.decompress(self.windows), np.uint8).reshape(self.windows_shape)


@contextmanager
def overhear(*names: str) -> Iterator[dict[str, Any]]:
    """Keep what steps of the chain give each other while a photo is read; the reading is not changed."""
    heard: dict[str, Any] = {}
    steps = {name: getattr(read, name) for name in names}

    def keep(name: str) -> Any:
        def step(*args: Any, **kwargs: Any) -> Any:
            heard[name] = steps[name](*args, **kwargs)
            return heard[name]

        return step

    for name in names:
        setattr(read, name, keep(name))
    try:
        yield heard
    finally:
        for name, step in steps.items():
            setattr(read, name, step)


def read_one(path: Path, embedder: Embedder | None, grey: bool = False) -> PhotoReading:
    """Read one photo beside its truth; ``grey`` takes all colour out of the file first."""
    truth = json.loads(path.with_suffix(".json").read_text(encoding="utf-8"))
    data = take_colour_out(path.read_bytes()) if grey else path.read_bytes()
    nothing = np.zeros((0, 0), np.float32)
    started = time.perf_counter()
    try:
        with overhear("look_around", "judge_regions") as heard:
            result = read.read_photo(data, embedder=embedder, gallery=None)
    except PhotoError as failure:
        return PhotoReading(
            path.stem, truth, None, str(failure), b"", (0,), nothing[0:0], nothing, {}, None, [], 0.0
        )
    spent = (time.perf_counter() - started) * 1000
    windows = result.windows if truth.get("role") in MOTIF_ROLES and not grey else ()
    pixels = np.array([np.clip(w.pixels * 255 + 0.5, 0, 255) for w in windows]).astype(np.uint8)
    around = heard["look_around"]
    return PhotoReading(
        name=path.stem,
        truth=truth,
        reading=result.reading.to_json(),
        failure=None,
        windows=zlib.compress(pixels.tobytes(), 6),
        windows_shape=pixels.shape,
        weights=np.array([window.weight for window in windows], np.float32),
        vectors=nothing if result.vectors is None else result.vectors,
        statistics=measure_scene(around),
        paper_white=measure_true_paper(around, truth),
        regions=[describe_region(region) for region in heard.get("judge_regions") or []],
        milliseconds=spent,
    )


def take_colour_out(data: bytes) -> bytes:
    """The same photo in grey."""
    pixels = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_GRAYSCALE)
    done, encoded = cv2.imencode(".jpg", cv2.merge([pixels] * 3), [cv2.IMWRITE_JPEG_QUALITY, GREY_QUALITY])
    assert done
    return encoded.tobytes()


def measure_true_paper(around: Surroundings, truth: dict[str, Any]) -> list[float] | None:
    """Colour (3,) of the sheet's own pixels, its corners told by the truth; None without a visible sheet."""
    corners = (truth.get("paper") or {}).get("corners")
    if corners is None:
        return None
    inside = np.zeros(around.piece_mask.shape, np.uint8)
    cv2.fillPoly(inside, [np.rint(np.array(corners) * around.scale).astype(np.int32)], 1)
    inside = cv2.erode(inside, np.ones((5, 5), np.uint8), borderValue=0)
    pixels = around.linear_rgb[(inside > 0) & around.outside_mask]
    if len(pixels) < 200:
        return None
    white = np.median(pixels, axis=0)
    return [float(v) for v in white / white[1]]


def describe_region(judged: JudgedRegion) -> dict[str, Any]:
    """A judged print in plain numbers."""
    return {
        "kind": judged.region.kind,
        "features": judged.features,
        "metal_log_odds": float(judged.metal_log_odds),
        "gold_log_odds": float(judged.gold_log_odds),
    }


def hash_model(grey: bool = False) -> str:
    """Short hash of the code and weights that read."""
    digest = hashlib.sha256(b"grey" if grey else b"")
    for path in sorted([*MODEL.glob("*.py"), *MODEL.glob("weights/*.json"), *MODEL.glob("weights/*.onnx")]):
        digest.update(path.read_bytes())
    return digest.hexdigest()[:12]


def _read_into(task: tuple[Path, Path, bool]) -> None:
    photo, target, grey = task
    part = target.with_suffix(".part")
    part.write_bytes(pickle.dumps(read_one(photo, _embedder(), grey), protocol=5))
    part.rename(target)


_KEPT: list[Embedder] = []


def _embedder() -> Embedder:
    """One network a process."""
    if not _KEPT:
        cv2.setNumThreads(1)
        _KEPT.append(Embedder.load(threads=1))
    return _KEPT[0]


def read_folder(
    photos: Sequence[Path], cache: Path, workers: int, grey: bool = False
) -> Iterator[PhotoReading]:
    """Readings of the photos, in order, read where the cache lacks them; a progress bar on stderr."""
    kept = cache / hash_model(grey)
    kept.mkdir(parents=True, exist_ok=True)
    tasks = [(path, kept / f"{path.stem}.pkl", grey) for path in photos]
    missing = [task for task in tasks if not task[1].exists()]
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    if workers > 1 and len(missing) > 1:
        with multiprocessing.get_context("spawn").Pool(workers) as pool:
            steps = pool.imap_unordered(_read_into, missing, chunksize=2)
            for _ in tqdm(steps, total=len(missing), desc="photos", unit="photo"):
                pass
    else:
        for task in tqdm(missing, desc="photos", unit="photo"):
            _read_into(task)
    for _, target, _ in tasks:
        found: PhotoReading = pickle.loads(target.read_bytes())
        yield found


def list_photos(folder: Path, limit: int | None = None) -> list[Path]:
    """Photos of a folder that have a truth beside them, in order."""
    found = [path for path in sorted(folder.glob("*.jpg")) if path.with_suffix(".json").exists()]
    return found[:limit]


def add_options(parser: argparse.ArgumentParser) -> None:
    """Options that all exams on photos share."""
    parser.add_argument("folder", type=Path, help="pictures (NAME.jpg) with their truth (NAME.json)")
    parser.add_argument("--cache", type=Path, help="folder for readings; default FOLDER/readings")
    parser.add_argument("--workers", type=int, default=os.cpu_count() or 1)
    parser.add_argument("--limit", type=int, help="the first so many photos: a balanced sample")


def read_told(told: argparse.Namespace, grey: bool = False) -> list[PhotoReading]:
    """Readings of the folder that a command line told."""
    cache = told.folder / "readings" if told.cache is None else told.cache
    return list(read_folder(list_photos(told.folder, told.limit), cache, told.workers, grey))


def main() -> None:
    """Read, and say how many were read."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    add_options(parser)
    parser.add_argument("--grey", action="store_true", help="take all colour out first")
    told = parser.parse_args()
    readings = read_told(told, told.grey)
    failed = [r.name for r in readings if r.failure]
    spent = np.median([r.milliseconds for r in readings]) if readings else 0.0
    print(
        f"{len(readings)} photos, {len(failed)} refused, median {spent:.0f} ms: {asdict(told_summary(told))}"
    )


@dataclass(frozen=True)
class RunFacts:
    """What a result file says about how it was made."""

    folder: str
    model: str


def told_summary(told: argparse.Namespace) -> RunFacts:
    """Name of the set and hash of the model; no path of this machine."""
    return RunFacts(told.folder.name, hash_model())


if __name__ == "__main__":
    # by its own name, not as the main program's: kept readings must be found by every exam
    from training import exam_readings

    exam_readings.main()
