"""Twenty paired phones at one real server: ``python -m service.trials.load``.

Every phone sends a 12-megapixel photo, waits for the reading and sends the next; one of them sends an album,
several photos at once. A refusal with Retry-After is obeyed and counted, its waiting time included.
"""

from __future__ import annotations

import argparse
import json
import os
import tempfile
import threading
import time
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from service.devices import Devices
from service.store import open_store
from service.trials import hostile
from service.trials.running import (
    RESULTS,
    RunningServer,
    ask,
    describe_run,
    send_photo,
    serving,
    spread_ms,
    write_result,
)

ROWS, COLUMNS, QUALITY = 3000, 4000, 90
GRAIN = 4.0  # of 255: as a phone's sensor leaves it; the file then weighs what phone photos weigh
ALBUM_AT_ONCE = 6
WATCH_EVERY_S = 0.25
MOST_TRIES = 50


@dataclass
class Phone:
    """One paired device and how its photos fared: seconds to the answer, statuses on the way."""

    token: str
    number: int
    waits_s: list[float] = field(default_factory=list)
    statuses: Counter[int] = field(default_factory=Counter)

    def headers(self) -> dict[str, str]:
        """As if passed on by a proxy: a loopback request with this counts as one of the network's."""
        return {"Authorization": f"Bearer {self.token}", "X-Forwarded-For": f"192.0.2.{self.number + 1}"}

    def send(self, server: RunningServer, photo: bytes) -> None:
        """Send one photo until it is read."""
        start = time.perf_counter()
        for _ in range(MOST_TRIES):
            status, headers, _ = send_photo(server, photo, self.headers())
            self.statuses[status] += 1
            if status not in (429, 503):
                break
            time.sleep(float(headers.get("retry-after", 1)))
        self.waits_s.append(time.perf_counter() - start)


@dataclass
class Watch:
    """What was seen from outside while the phones sent."""

    memory_bytes: list[int] = field(default_factory=list)
    health_s: list[float] = field(default_factory=list)
    most_waiting: int = 0
    over: threading.Event = field(default_factory=threading.Event)

    def keep_looking(self, server: RunningServer) -> None:
        """Ask for health and memory until the phones are done."""
        while not self.over.wait(WATCH_EVERY_S):
            start = time.perf_counter()
            status, _, body = ask(server, "GET", "/api/health")
            self.health_s.append(time.perf_counter() - start)
            if status == 200:
                self.most_waiting = max(self.most_waiting, json.loads(body)["reader"]["waiting"])
            self.memory_bytes.append(server.memory_bytes() or 0)


def make_photos(count: int, seed: int) -> list[bytes]:
    """Drawn plates of 12 megapixels with grain."""
    rng, plate = np.random.default_rng(seed), hostile.draw_plate(ROWS, COLUMNS)
    photos = []
    for _ in range(count):
        grain = cv2.resize(
            rng.normal(0, GRAIN, (ROWS // 2, COLUMNS // 2, 3)).astype(np.float32), (COLUMNS, ROWS)
        )
        noisy = np.clip(plate + grain, 0, 255).astype(np.uint8)
        photos.append(hostile.encode(hostile.JPEG, noisy, cv2.IMWRITE_JPEG_QUALITY, QUALITY))
    return photos


def pair_phones(data_folder: Path, count: int) -> list[Phone]:
    """Devices paired in a folder that no server has opened yet."""
    store = open_store(data_folder)
    try:
        phones = []
        for number in range(count):
            devices = Devices(store)
            _, token = devices.pair(devices.make_code().code, f"phone {number + 1}", "192.0.2.1")
            phones.append(Phone(token, number))
        return phones
    finally:
        store.close()


def load_server(phones: int, photos_each: int, seed: int, workers: int | None = None) -> dict[str, Any]:
    """Run the load; times, statuses, memory, order."""
    photos, watch = make_photos(4, seed), Watch()
    with tempfile.TemporaryDirectory() as folder:
        data = Path(folder) / "data"
        all_phones = pair_phones(data, phones)
        options = ["--empty", "--lan", *([] if workers is None else ["--workers", str(workers)])]
        with serving(data, *options) as server:
            send_photo(server, photos[0])  # so that idle means warm
            idle = server.memory_bytes() or 0
            watcher = threading.Thread(target=watch.keep_looking, args=(server,))
            watcher.start()
            start = time.perf_counter()
            _send_all(server, all_phones, photos, photos_each)
            took_s = time.perf_counter() - start
            watch.over.set()
            watcher.join()
            alive = server.is_alive()
    return _summarise(all_phones, watch, idle, took_s) | {"alive_afterwards": alive}


def _send_all(server: RunningServer, phones: list[Phone], photos: list[bytes], each: int) -> None:
    """The first phone sends an album, the others one photo after the other, all from the same moment."""
    together = threading.Barrier(len(phones) - 1 + ALBUM_AT_ONCE)

    def send(phone: Phone, count: int) -> None:
        together.wait()
        for number in range(count):
            phone.send(server, photos[(phone.number + number) % len(photos)])

    senders = [threading.Thread(target=send, args=(phone, each)) for phone in phones[1:]]
    senders += [threading.Thread(target=send, args=(phones[0], each)) for _ in range(ALBUM_AT_ONCE)]
    for sender in senders:
        sender.start()
    for sender in senders:
        sender.join()


def _summarise(phones: list[Phone], watch: Watch, idle: int, took_s: float) -> dict[str, Any]:
    album, others = phones[0], phones[1:]
    statuses: Counter[int] = sum((phone.statuses for phone in phones), Counter())
    waits = [wait for phone in others for wait in phone.waits_s]
    means = [float(np.mean(phone.waits_s)) for phone in others]
    read = statuses[201]
    return {
        "phones": len(phones),
        "photos_read": read,
        "seconds": round(took_s, 1),
        "photos_a_second": round(read / took_s, 2),
        "wait_of_a_phone_with_one_photo_at_a_time": spread_ms(waits) | {"n": len(waits)},
        "wait_in_the_album": spread_ms(album.waits_s) | {"n": len(album.waits_s)},
        "mean_wait_of_the_slowest_phone_to_the_quickest": round(max(means) / min(means), 2),
        "statuses": {str(status): n for status, n in sorted(statuses.items())},
        "errors": sum(n for status, n in statuses.items() if status not in (201, 429, 503)),
        "most_waiting": watch.most_waiting,
        "health_answers": spread_ms(watch.health_s) | {"n": len(watch.health_s)},
        "memory_mb": {"idle": round(idle / 1e6), "highest": round(max(watch.memory_bytes, default=0) / 1e6)},
    }


def main() -> None:
    """Run the load and keep the result."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--phones", type=int, default=20)
    parser.add_argument("--photos-each", type=int, default=3)
    parser.add_argument("--workers", type=int, help="default: as the server chooses")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--out", type=Path, default=RESULTS / "load.json")
    given = parser.parse_args()
    result = describe_run(given.seed)
    result |= load_server(given.phones, given.photos_each, given.seed, given.workers)
    result["load_at_the_end"] = round(os.getloadavg()[0], 1) if hasattr(os, "getloadavg") else None
    write_result(given.out, result)


if __name__ == "__main__":
    main()
