"""Time and memory of a reading: ``python -m training.benchmark PHOTO --out FILE``.

The photo is enlarged to 12 megapixels first, once with a sensor's grain, which makes the file as heavy as
phone photos are and its decoding as slow, and once without. Every figure is the median of repeated runs after
a warm-up, with the first and third quartile; the ratio is to ``cv2.imdecode`` of the same file in the same
run, taken in turns with the readings, so that a busy machine slows both.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from model.lookup import Gallery, GalleryItem, rank_motifs
from model.motif import WINDOW_HEIGHT, WINDOW_WIDTH, Window
from model.network import Embedder
from model.read import read_photo
from training.export import find_commit

WIDTH_PX, HEIGHT_PX, QUALITY = 4000, 3000, 92
GRAIN = 4.0  # of 255, over two pixels: such a file weighs about 4 MB
VECTORS_A_PHOTO, PHOTOS_A_MOTIF = 10, 5

# The kernel's own count, not getrusage: that one starts with what the parent held when it started the probe.
MEMORY_PROBE = """
import sys
from pathlib import Path
from model.network import Embedder
from model.read import read_photo
data = Path(sys.argv[1]).read_bytes()
read_photo(data, embedder=Embedder.load(), gallery=None)
status = Path("/proc/self/status")
lines = status.read_text().splitlines() if status.exists() else []
print(next((int(line.split()[1]) * 1024 for line in lines if line.startswith("VmHWM:")), "nan"))
"""
IMPORT_PROBE = """
import time
start = time.perf_counter()
{imports}
print(time.perf_counter() - start)
"""
THIRD_PARTY = "import numpy, cv2, onnxruntime, PIL.Image"
OURS = "import model.read, onnxruntime\nfrom model.network import Embedder\nEmbedder.load()"


def spread(times_s: list[float]) -> dict[str, float]:
    """Median and quartiles in milliseconds."""
    low, middle, high = np.percentile(np.array(times_s) * 1000, [25, 50, 75])
    return {"median_ms": round(middle, 3), "quartile_1_ms": round(low, 3), "quartile_3_ms": round(high, 3)}


def time_call(call: Callable[[], Any], repeats: int) -> dict[str, float]:
    """Time a call after one warm-up."""
    call()
    times = []
    for _ in range(repeats):
        start = time.perf_counter()
        call()
        times.append(time.perf_counter() - start)
    return spread(times)


def enlarge_photo(path: Path, folder: Path, grain: float) -> Path:
    """The photo at 4000 x 3000 (or 3000 x 4000) as a JPEG, with noise of that strength."""
    picture = cv2.imread(str(path))
    if picture is None:
        raise FileNotFoundError(f"no picture at {path}")
    size = (WIDTH_PX, HEIGHT_PX) if picture.shape[1] >= picture.shape[0] else (HEIGHT_PX, WIDTH_PX)
    large = folder / f"grain-{grain:.0f}.jpg"
    enlarged = cv2.resize(picture, size, interpolation=cv2.INTER_CUBIC)
    if grain:
        coarse = np.random.default_rng(1).normal(0, grain, (size[1] // 2, size[0] // 2, 3))
        noise = cv2.resize(coarse.astype(np.float32), size)
        enlarged = np.clip(enlarged + noise, 0, 255).astype(np.uint8)
    cv2.imwrite(str(large), enlarged, [cv2.IMWRITE_JPEG_QUALITY, QUALITY])
    return large


def time_reading(path: Path, repeats: int) -> dict[str, Any]:
    """The whole answer by stage, and the bare decode; stages that run beside others add up to more."""
    data = path.read_bytes()
    buffer = np.frombuffer(data, np.uint8)
    embedder = Embedder.load()
    calls: dict[str, Callable[[], Any]] = {
        "imdecode": lambda: cv2.imdecode(buffer, cv2.IMREAD_COLOR),
        "reading": lambda: read_photo(data, embedder=embedder, gallery=None, clock=time.perf_counter),
    }
    wall: dict[str, list[float]] = {name: [] for name in calls}
    processor: dict[str, list[float]] = {name: [] for name in calls}
    stages: list[dict[str, float]] = []
    for round_number in range(repeats + 1):
        for name, call in calls.items():
            start, used = time.perf_counter(), time.process_time()
            found = call()
            if round_number:  # the first is the warm-up
                wall[name].append(time.perf_counter() - start)
                processor[name].append(time.process_time() - used)
                if name == "reading":
                    stages.append(found.reading.timing_ms)
    names = sorted(stages[0], key=lambda name: -stages[0][name])
    return {
        "bytes": len(data),
        **{name: spread(times) for name, times in wall.items()},
        "processor_time": {name: spread(times) for name, times in processor.items()},
        "ratio_to_imdecode": _ratio(wall["reading"], wall["imdecode"]),
        "ratio_of_processor_time": _ratio(processor["reading"], processor["imdecode"]),
        "stages_median_ms": {
            name: round(float(np.median([row[name] for row in stages])), 2) for name in names
        },
    }


def _ratio(times: list[float], of_times: list[float]) -> float:
    return round(float(np.median(times) / np.median(of_times)), 2)


def measure_command_mb(path: Path) -> dict[str, float] | None:
    """Most memory that the whole command ``read`` and its processes held, shared pages once (Linux only)."""
    with tempfile.TemporaryDirectory() as folder:
        command = [
            sys.executable,
            "-m",
            "service.cli",
            "read",
            str(path),
            "--json",
            "--empty",
            "--data",
            folder,
        ]
        start = time.perf_counter()
        run = subprocess.Popen(command, cwd=Path(__file__).parents[1], stdout=subprocess.DEVNULL)
        most = 0
        while run.poll() is None:
            most = max(most, _tree_bytes(run.pid))
            time.sleep(0.02)
        took = time.perf_counter() - start
    return {"peak_mb": round(most / 1e6, 1), "whole_command_s": round(took, 2)} if most else None


def _tree_bytes(pid: int) -> int:
    """Proportional set size of a process and its descendants."""
    try:
        rollup = Path(f"/proc/{pid}/smaps_rollup").read_text()
        tasks = list(Path(f"/proc/{pid}/task").iterdir())
        children = [int(child) for task in tasks for child in (task / "children").read_text().split()]
        own = next(int(line.split()[1]) for line in rollup.splitlines() if line.startswith("Pss:")) * 1024
    except (OSError, StopIteration):
        return 0
    return own + sum(_tree_bytes(child) for child in children)


def time_windows(repeats: int) -> dict[str, float]:
    """Embedding of 12 windows, a window."""
    rng = np.random.default_rng(1)
    coarse = (rng.random((12, 3, WINDOW_HEIGHT // 8, WINDOW_WIDTH // 8)) > 0.6).astype(np.float32)
    pixels = coarse.repeat(8, axis=2).repeat(8, axis=3)
    windows = [Window(p, (0, 0, 1, 1), 0.0, False, 1.0) for p in pixels]
    embedder = Embedder.load()
    whole = time_call(lambda: embedder.embed(windows), repeats)
    return {name: round(value / 12, 3) for name, value in whole.items()}


def time_search(count: int, repeats: int) -> dict[str, Any]:
    """Ranking of all motifs against the bare product of all query windows with all vectors."""
    rng = np.random.default_rng(2)
    vectors = rng.normal(size=(count, 128)).astype(np.float32)
    vectors /= np.linalg.norm(vectors, axis=1, keepdims=True)
    photos = count // VECTORS_A_PHOTO
    items = tuple(GalleryItem(str(k), f"m{k // PHOTOS_A_MOTIF}", "") for k in range(photos))
    gallery = Gallery(vectors, np.arange(count) // VECTORS_A_PHOTO, items)
    query, weights = vectors[:12].copy(), np.ones(12, np.float32)
    product = time_call(lambda: vectors @ query.T, repeats)
    ranked = time_call(lambda: rank_motifs(query, weights, gallery), repeats)
    return {
        "vectors": count,
        "product": product,
        "ranking": ranked,
        "ratio": round(ranked["median_ms"] / product["median_ms"], 2),
    }


def run_probe(code: str, *told: str) -> float:
    """The number that a fresh interpreter prints."""
    root = Path(__file__).parents[1]
    # An installed package has its bytecode beside it; so has the probe, from its second run on.
    environment = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    run = subprocess.run(
        [sys.executable, "-c", code, *told],
        cwd=root,
        capture_output=True,
        text=True,
        check=True,
        env=environment,
    )
    return float(run.stdout.split()[-1])


def time_imports(repeats: int) -> dict[str, float]:
    """Seconds to import what a reading needs and load the network, against its third-party packages alone."""
    probes = [IMPORT_PROBE.format(imports=imports) for imports in (THIRD_PARTY, OURS)]
    times = [[run_probe(probe) for probe in probes] for _ in range(repeats + 1)][1:]
    bare, ours = zip(*times, strict=True)
    middle = {"packages_s": float(np.median(bare)), "ready_s": float(np.median(ours))}
    return {name: round(value, 3) for name, value in middle.items()} | {
        "ratio": round(middle["ready_s"] / middle["packages_s"], 2)
    }


def _count_cores() -> int:
    """Cores this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("photo", type=Path)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--repeats", type=int, default=7)
    told = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        smooth, grainy = (enlarge_photo(told.photo, Path(folder), grain) for grain in (0.0, GRAIN))
        result: dict[str, Any] = {
            "photo": told.photo.name,
            "repeats": told.repeats,
            "reading_12_megapixels": time_reading(grainy, told.repeats),
            "reading_12_megapixels_without_grain": time_reading(smooth, told.repeats),
            "peak_memory_mb": round(run_probe(MEMORY_PROBE, str(grainy)) / 1e6, 1),
            "command_read": measure_command_mb(grainy),
            "embedding_a_window": time_windows(told.repeats),
            "search": [time_search(count, told.repeats) for count in (10_000, 100_000)],
            "imports": time_imports(5),
        }
    result |= {
        "commit": find_commit(),
        "machine": f"{platform.machine()}, {_count_cores()} cores, load {os.getloadavg()[0]:.1f}",
    }
    told.out.parent.mkdir(parents=True, exist_ok=True)
    told.out.write_text(json.dumps(result, indent=1) + "\n", encoding="utf-8")
    print(json.dumps(result, indent=1))


if __name__ == "__main__":
    main()
