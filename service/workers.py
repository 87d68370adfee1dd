"""Several workers behind one fair queue; the second and further ones start only when they are needed."""

from __future__ import annotations

import os
from collections.abc import Callable

from service.errors import ReaderStopped
from service.kept import NewReading, PackedGallery
from service.turns import Turns
from service.worker import Started, Worker

MOST_WORKERS = 4  # by default: more gain little before memory runs out
WORKER_BYTES = 700_000_000  # what one may come to hold with a large photo (measured .4 to .6 GB)


def choose_count() -> int:
    """Workers for this machine: one a core, as far as half of its memory carries them."""
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    most = MOST_WORKERS
    if hasattr(os, "sysconf") and "SC_PHYS_PAGES" in os.sysconf_names:
        memory = os.sysconf("SC_PHYS_PAGES") * os.sysconf("SC_PAGE_SIZE")
        most = min(most, memory // 2 // WORKER_BYTES)
    return max(1, min(cores, most))


class Workers:
    """Used like one `Worker`, by any number of threads."""

    def __init__(self, count: int | None = None, make: Callable[[], Worker] = Worker) -> None:
        self.count = choose_count() if count is None else count
        self._workers = [make() for _ in range(self.count)]
        self._turns = Turns(self.count)
        self._started: Started | None = None

    def start(self) -> None:
        """Begin starting the first; returns at once."""
        self._workers[0].start()

    def wait_ready(self) -> Started:
        """Wait for the first and return its recipe; while photos are read, what it said at its start."""
        if self._started is None:
            self._started = self._workers[0].wait_ready()
        return self._started

    def check_room(self, device: str | None, size: int) -> None:
        """Raises Busy where another photo could not wait."""
        self._turns.check_room(device, size)

    def tell(self) -> dict[str, int]:
        """How busy they are, as `Turns.tell`."""
        return self._turns.tell()

    def read(
        self,
        data: bytes,
        reading_id: str,
        pack: Callable[[int | None, str], PackedGallery | None],
        neutral: tuple[float, float] | None = None,
        trace: str | None = None,
        seal: bool = True,
        device: str | None = None,
        diameter_mm: float | None = None,
    ) -> NewReading:
        """Read one photo when it is ``device``'s turn; raises as `Worker.read`, or Busy."""
        with self._turns.turn(device, len(data)) as number:
            worker = self._workers[number]
            try:
                return worker.read(data, reading_id, pack, neutral, trace, seal, diameter_mm)
            except ReaderStopped:
                worker.start()  # where it died: the next photo should not wait for that
                raise

    def derive(
        self,
        data: bytes,
        max_side_px: int,
        box: tuple[int, int, int, int] | None = None,
        device: str | None = None,
    ) -> bytes:
        """Re-encode a photo when it is ``device``'s turn, as `Worker.derive`."""
        with self._turns.turn(device, len(data)) as number:
            worker = self._workers[number]
            try:
                return worker.derive(data, max_side_px, box)
            except ReaderStopped:
                worker.start()
                raise

    def close(self) -> None:
        """Stop them all."""
        for worker in self._workers:
            worker.close()
