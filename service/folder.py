"""Reading many photos: all workers busy, the results in the photos' order."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path
from typing import Any

from model.errors import PhotoTooLarge, RimlightError
from service.actions import Actions
from service.kept import NewReading
from service.settings import MAX_PHOTO_BYTES

Facts = dict[str, Any]


def load_photo(name: str) -> bytes:
    """The file's bytes; a file far over the limit is not pulled into memory."""
    path = Path(name)
    if path.stat().st_size > MAX_PHOTO_BYTES:
        raise PhotoTooLarge(f"expected at most {MAX_PHOTO_BYTES // 10**6} MB; export it smaller.")
    return path.read_bytes()


def read_in_order(
    actions: Actions,
    names: Sequence[str],
    neutral: str | None = None,
    trace: str | None = None,
    diameter_mm: float | None = None,
) -> Iterator[Facts | RimlightError | OSError]:
    """Read the named files without storing anything; facts, or why a photo could not be read."""
    for found in read_whole_in_order(actions, names, neutral, trace, diameter_mm):
        yield found.facts if isinstance(found, NewReading) else found


def read_whole_in_order(
    actions: Actions,
    names: Sequence[str],
    neutral: str | None = None,
    trace: str | None = None,
    diameter_mm: float | None = None,
) -> Iterator[NewReading | RimlightError | OSError]:
    """As `read_in_order`, with all that a reading gave.

    One more photo than there are workers is under way, so that none of them waits for a disk.
    """

    def read(name: str) -> NewReading | RimlightError | OSError:
        try:
            return actions.read_only(load_photo(name), neutral, trace, diameter_mm)
        except (RimlightError, OSError) as error:
            return error

    pending: deque[Future[NewReading | RimlightError | OSError]] = deque()
    with ThreadPoolExecutor(actions.worker.count + 1) as threads:
        try:
            for name in names:
                pending.append(threads.submit(read, name))
                if len(pending) > actions.worker.count:
                    yield pending.popleft().result()
            while pending:
                yield pending.popleft().result()
        finally:
            threads.shutdown(wait=False, cancel_futures=True)
