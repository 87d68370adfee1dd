"""Both corpora through a real server, measured: ``python -m service.trials.corpora``.

What must be refused: status, seconds and memory above idle. What must be read: the status.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from collections import Counter
from pathlib import Path
from typing import Any

from tqdm import tqdm

from service.trials import hostile
from service.trials.running import (
    RESULTS,
    RunningServer,
    describe_run,
    measure_peaks,
    send_photo,
    serving,
    spread_ms,
    write_result,
)


def try_corpora() -> dict[str, Any]:
    """Send every file once."""
    with tempfile.TemporaryDirectory() as folder, serving(Path(folder) / "data", "--empty") as server:
        send_photo(server, hostile.encode(hostile.JPEG, hostile.draw_plate()))  # idle means: all is loaded
        refused = _send_refused(server)
        read = Counter(send_photo(server, data, name=name)[0] for name, data in hostile.list_odd().values())
        return {
            "must_be_refused": refused,
            "must_be_read": {str(status): n for status, n in sorted(read.items())},
            "alive_afterwards": server.is_alive(),
        }


def _send_refused(server: RunningServer) -> dict[str, Any]:
    statuses, times, growths = Counter[int](), dict[str, float](), dict[str, int]()
    for name, make in tqdm(hostile.list_refused().items(), desc="refused", unit="file"):
        data = make()
        idle = measure_peaks(server.process.pid, reset=True)
        start = time.perf_counter()
        statuses[send_photo(server, data)[0]] += 1
        times[name] = time.perf_counter() - start
        most = measure_peaks(server.process.pid)
        if idle is not None and most is not None:
            growths[name] = most - idle
    slowest, hungriest = (
        max(times, key=times.__getitem__),
        max(growths, key=growths.__getitem__, default=None),
    )
    return {
        "files": len(times),
        "statuses": {str(status): n for status, n in sorted(statuses.items())},
        "times": spread_ms(list(times.values())) | {"slowest": slowest},
        "most_above_idle_mb": None if hungriest is None else round(growths[hungriest] / 1e6, 1),
        "hungriest": hungriest,
    }


def main() -> None:
    """Run and keep the result."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--out", type=Path, default=RESULTS / "corpora.json")
    given = parser.parse_args()
    write_result(given.out, describe_run(0) | try_corpora())


if __name__ == "__main__":
    main()
