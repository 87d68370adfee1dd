"""Damaged files through the worker and through a real server: ``python -m service.trials.fuzz``.

Every file is decoded in the worker's child process; each tenth is read whole. No file may stop the parent,
and no answer may be a 5xx.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from collections import Counter
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import numpy as np
from tqdm import tqdm

from model.errors import PhotoError
from service.errors import ReaderStopped
from service.trials.mutate import list_seeds, mutate
from service.trials.running import RESULTS, describe_run, send_photo, serving, spread_ms, write_result
from service.worker import Worker

WHOLE_EVERY = 10  # each so many-th file is read whole, which takes some fifty times as long as decoding
SHOWN_SIDE_PX = 64


def make_files(count: int, seed: int) -> Iterable[bytes]:
    """That many damaged files; the same for the same seed."""
    seeds, rng = list_seeds(), np.random.default_rng(seed)
    return (mutate(seeds, rng) for _ in range(count))


def fuzz_worker(count: int, seed: int) -> dict[str, Any]:
    """Send damaged files to one worker; what came of them, and how long each took."""
    worker, outcomes = Worker(), Counter[str]()
    times: dict[str, list[float]] = {"decoded": [], "read whole": []}
    stopped: list[str] = []
    try:
        worker.wait_ready()
        children = {worker.child_pid}
        for number, data in enumerate(tqdm(make_files(count, seed), total=count, desc="worker", unit="file")):
            whole = number % WHOLE_EVERY == 0
            start = time.perf_counter()
            outcome = _try_file(worker, data, whole)
            times["read whole" if whole else "decoded"].append(time.perf_counter() - start)
            outcomes[outcome] += 1
            children.add(worker.child_pid)
            if outcome == "ReaderStopped":
                stopped.append(data.hex())
    finally:
        worker.close()
    return {
        "files": count,
        "outcomes": dict(outcomes.most_common()),
        "children_started": len(children - {None}),
        "parent_crashes": 0,  # this line is only reached by a parent that lives
        "times": {name: spread_ms(values) | {"n": len(values)} for name, values in times.items() if values},
        "files_that_stopped_a_child": stopped[:20],
    }


def _try_file(worker: Worker, data: bytes, whole: bool) -> str:
    """Name of the outcome."""
    try:
        if whole:
            worker.read(data, "fuzz", lambda version, recipe_id: None)
        else:
            worker.derive(data, SHOWN_SIDE_PX)
    except ReaderStopped:
        return "ReaderStopped"
    except PhotoError as error:
        return type(error).__name__
    return "read"


def fuzz_server(count: int, seed: int) -> dict[str, Any]:
    """Post damaged files to a real server; the statuses, the times and what it held in memory."""
    statuses, times = Counter[int](), []
    with tempfile.TemporaryDirectory() as folder, serving(Path(folder) / "data", "--empty") as server:
        idle = server.memory_bytes()
        highest = idle or 0
        for data in tqdm(make_files(count, seed + 1), total=count, desc="HTTP", unit="file"):
            start = time.perf_counter()
            statuses[send_photo(server, data)[0]] += 1
            times.append(time.perf_counter() - start)
            highest = max(highest, server.memory_bytes() or 0)
        alive = server.is_alive()
    return {
        "files": count,
        "statuses": {str(status): n for status, n in sorted(statuses.items())},
        "answers_5xx_or_none": sum(n for status, n in statuses.items() if status >= 500 or status == 0),
        "alive_afterwards": alive,
        "times": spread_ms(times),
        "memory_mb": {"idle": round((idle or 0) / 1e6, 1), "highest": round(highest / 1e6, 1)},
    }


def main() -> None:
    """Run both and keep the result."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--worker-files", type=int, default=100_000)
    parser.add_argument("--http-files", type=int, default=2_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--out", type=Path, default=RESULTS / "fuzz.json")
    given = parser.parse_args()
    result = describe_run(given.seed)
    result["http"] = fuzz_server(given.http_files, given.seed)
    result["worker"] = fuzz_worker(given.worker_files, given.seed)
    write_result(given.out, result)


if __name__ == "__main__":
    main()
