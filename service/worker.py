"""Runs the reading in a child process with limits, and starts it again when it dies.

The only place from which ``model.read`` is run. Importing this file is cheap; the child pays for the rest.
"""

from __future__ import annotations

import json
import multiprocessing
import threading
from collections.abc import Callable
from dataclasses import dataclass
from multiprocessing.connection import Connection
from typing import Any

import model.errors
from service.errors import ReaderStopped
from service.kept import Crop, NewReading, PackedGallery
from service.worker_child import serve_jobs

START_LIMIT_S = 120.0  # a cold disk on a small machine
JOB_LIMIT_S = 60.0


@dataclass(frozen=True)
class Started:
    """What the child said when it was ready: its recipe, or why it has none."""

    recipe_id: str | None
    problem: str | None


class Worker:
    """One child process; jobs run one after the other, started with the first or by ``start``."""

    def __init__(self, job_limit_s: float = JOB_LIMIT_S, target: Callable[[Connection], None] = serve_jobs):
        self._job_limit_s = job_limit_s
        self._target = target
        self._lock = threading.RLock()
        self._process: Any = None
        self._connection: Connection | None = None
        self._started: Started | None = None
        self._gallery_version: tuple[int, str] | None = None

    def start(self) -> None:
        """Begin starting the child; returns at once."""
        with self._lock:
            if self._process is not None and self._process.is_alive():
                return
            self._drop()
            context = multiprocessing.get_context("spawn")
            self._connection, theirs = context.Pipe()
            self._process = context.Process(target=self._target, args=(theirs,), daemon=True)
            self._process.start()
            theirs.close()

    def wait_ready(self) -> Started:
        """Wait for the child and return its recipe.

        Raises
        ------
        ReaderStopped
            It did not come up.
        """
        with self._lock:
            self.start()
            if self._started is None:
                header, _ = self._receive(START_LIMIT_S)
                self._started = Started(header["recipe_id"], header["problem"])
            return self._started

    def read(
        self,
        data: bytes,
        reading_id: str,
        pack: Callable[[int | None, str], PackedGallery | None],
        neutral: tuple[float, float] | None = None,
        trace: str | None = None,
        seal: bool = True,
        diameter_mm: float | None = None,
    ) -> NewReading:
        """Read one photo in the child.

        ``pack(version, recipe_id)`` gives the gallery, or None where that version is still today's.

        Raises
        ------
        model.errors.PhotoError, model.errors.HintError
            As ``model.read.read_photo``.
        ReaderStopped
            The child died, ran out of time or failed; it is started again with the next job.
        """
        with self._lock:
            recipe_id = self.wait_ready().recipe_id
            if recipe_id is not None:
                self._hand_over_gallery(pack, recipe_id)
            job: dict[str, Any] = {
                "data": data,
                "neutral": neutral,
                "trace": trace,
                "reading_id": reading_id,
                "seal": seal,
                "diameter_mm": diameter_mm,
            }
            header, (sealed, strip, numbers) = self._run("read", job)
        return NewReading(
            facts=header["facts"],
            photo_bytes=len(data),
            sealed=sealed,
            suffix=_suffix(sealed),
            strip_png=strip if header["has_strip"] else None,
            recipe_id=recipe_id,
            crops=_crops(header["crops"], numbers),
            neutral=None if neutral is None else f"{neutral[0]},{neutral[1]}",
            trace=trace,
        )

    def derive(self, data: bytes, max_side_px: int, box: tuple[int, int, int, int] | None = None) -> bytes:
        """Re-encode a photo, or ``box`` (x0, y0, x1, y1) of it, as a bounded sRGB JPEG without metadata."""
        with self._lock:
            self.wait_ready()
            return self._run("derive", {"data": data, "max_side_px": max_side_px, "box": box})[1][0]

    @property
    def child_pid(self) -> int | None:
        """Process id of the child, None while there is none."""
        process = self._process
        return None if process is None else process.pid

    def close(self) -> None:
        """Stop the child."""
        with self._lock:
            self._drop()

    def _hand_over_gallery(
        self, pack: Callable[[int | None, str], PackedGallery | None], recipe_id: str
    ) -> None:
        known = self._gallery_version
        version = known[0] if known is not None and known[1] == recipe_id else None
        packed = pack(version, recipe_id)
        if packed is not None:
            self._run("gallery", {"packed": packed})
            self._gallery_version = (packed.version, recipe_id)

    def _run(self, name: str, arguments: dict[str, Any]) -> tuple[dict[str, Any], list[bytes]]:
        assert self._connection is not None
        try:
            self._connection.send((name, arguments))
        except (OSError, ValueError) as error:
            self._drop()
            raise ReaderStopped("This photo could not be read: the reader stopped. Try it again.") from error
        header, blobs = self._receive(self._job_limit_s)
        if "error" in header:
            raise _rebuild(header["error"], header["message"])
        return header, blobs

    def _receive(self, limit_s: float) -> tuple[dict[str, Any], list[bytes]]:
        assert self._connection is not None
        try:
            if not self._connection.poll(limit_s):
                self._drop()
                raise ReaderStopped(f"This photo could not be read: it took longer than {limit_s:.0f} s.")
            header = json.loads(self._connection.recv_bytes())
            return header, [self._connection.recv_bytes() for _ in range(header["blobs"])]
        except (EOFError, OSError) as error:
            self._drop()
            raise ReaderStopped(
                "This photo could not be read: the reader stopped on it. The file is likely damaged; "
                "save it again as JPEG or take the photo anew."
            ) from error

    def _drop(self) -> None:
        """End the child, whatever state it is in."""
        if self._connection is not None:
            self._connection.close()
        if self._process is not None:
            self._process.kill()
            self._process.join()
            self._process.close()
        self._process = self._connection = self._started = self._gallery_version = None


def _rebuild(name: str, message: str) -> Exception:
    """The error the child met, by name; only our own kinds can come back."""
    kind = getattr(model.errors, name, None)
    if isinstance(kind, type) and issubclass(kind, model.errors.RimlightError):
        return kind(message)
    return ReaderStopped(f"This photo could not be read: {message}")


def _crops(described: list[dict[str, Any]], numbers: bytes) -> tuple[Crop, ...]:
    """Pair each window with its vector's bytes."""
    if not described or not numbers:
        return ()
    size, rest = divmod(len(numbers), len(described))
    if rest:
        raise ReaderStopped("This photo could not be read: windows and vectors do not agree.")
    return tuple(
        Crop(
            rect=tuple(crop["rect"]),
            phase=crop["phase"],
            mirrored=crop["mirrored"],
            weight=crop["weight"],
            numbers=numbers[place * size : (place + 1) * size],
        )
        for place, crop in enumerate(described)
    )


def _suffix(data: bytes) -> str:
    """File suffix by content."""
    if data[:8] == b"\x89PNG\r\n\x1a\n":
        return "png"
    if data[4:8] == b"ftyp":
        return "heic"
    return "webp" if data[:4] == b"RIFF" and data[8:12] == b"WEBP" else "jpg"
