"""What runs inside the worker process: the only code of the service that touches a photo's bytes.

Answers go back as JSON and raw bytes, never as pickles, so that a decoder taken over by a hostile photo
cannot make the parent run anything.
"""

from __future__ import annotations

import contextlib
import json
import os
import signal
import sys
import time
import traceback
from collections.abc import Callable
from multiprocessing.connection import Connection
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from model.lookup import Gallery
    from model.network import Embedder
    from service.kept import PackedGallery

MEMORY_LIMIT_BYTES = 4 * 1024**3  # address space; a 40-megapixel photo needs well under half
CPU_LIMIT_S = 90  # of one job, over all its threads
JPEG_QUALITY = 85


# The arrays are small; threads of the algebra library wait actively and take the core from other workers.
ONE_THREAD = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS")


def serve_jobs(connection: Connection) -> None:
    """Answer jobs until the parent hangs up."""
    for name in ONE_THREAD:  # read when numpy is first imported, which is below
        os.environ.setdefault(name, "1")
    _limit_process()
    worker = _Worker()
    _mute_decoders()
    _send(connection, {"recipe_id": worker.recipe_id, "problem": worker.problem})
    jobs: dict[str, Callable[..., tuple[dict[str, Any], list[bytes]]]]
    jobs = {"read": worker.read, "derive": worker.derive, "gallery": worker.take_gallery}
    while True:
        try:
            name, arguments = connection.recv()
        except (EOFError, OSError):
            return
        _limit_cpu()
        try:
            header, blobs = jobs[name](**arguments)
        except MemoryError:
            _send(connection, {"error": "ReaderStopped", "message": "it needs more memory than is allowed."})
            return  # a process that ran dry is not trusted again
        except Exception as error:  # the boundary: whatever fails in here must reach the caller as words
            _send(connection, _describe(error))
            continue
        _send(connection, header, blobs)


class _Worker:
    """The embedder, loaded once, and the gallery last handed over."""

    def __init__(self) -> None:
        self._embedder: Embedder | None = None
        self._gallery: Gallery | None = None
        self.problem: str | None = None
        self._load_embedder()

    @property
    def recipe_id(self) -> str | None:
        return self._embedder.recipe_id if self._embedder is not None else None

    def _load_embedder(self) -> None:
        import model.read  # noqa: F401  # now, so that the first photo does not wait for it
        from model.errors import RecipeError
        from model.network import Embedder

        try:
            self._embedder = Embedder.load()
        except RecipeError as error:
            self.problem = str(error)

    def take_gallery(self, packed: PackedGallery) -> tuple[dict[str, Any], list[bytes]]:
        from service.packed import open_gallery

        self._gallery = open_gallery(packed)
        return {}, []

    def read(
        self,
        data: bytes,
        neutral: tuple[float, float] | None,
        trace: str | None,
        reading_id: str,
        seal: bool,
        diameter_mm: float | None = None,
    ) -> tuple[dict[str, Any], list[bytes]]:
        from model.hints import parse_trace
        from model.photo import sealed_copy
        from model.read import read_photo

        result = read_photo(
            data,
            embedder=self._embedder,
            gallery=self._gallery,
            neutral=neutral,
            trace=None if trace is None else parse_trace(trace),
            diameter_mm=diameter_mm,
            reading_id=reading_id,
            clock=time.perf_counter,
        )
        crops = [
            {"rect": list(map(float, w.rect)), "phase": float(w.phase), "mirrored": bool(w.mirrored)}
            | {"weight": float(w.weight)}
            for w in result.windows
        ]
        vectors = b"" if result.vectors is None else result.vectors.astype("<f4").tobytes()
        header = {
            "facts": result.reading.to_json(),
            "crops": crops,
            "has_strip": result.strip_png is not None,
        }
        return header, [sealed_copy(data) if seal else b"", result.strip_png or b"", vectors]

    def derive(
        self, data: bytes, max_side_px: int, box: tuple[int, int, int, int] | None
    ) -> tuple[dict[str, Any], list[bytes]]:
        import cv2

        from model.colour import srgb_bytes
        from model.photo import decode_photo

        photo = decode_photo(data)
        if box is None:
            shown = photo.reduced(max_side_px)[0]
        else:
            x0, y0, x1, y1 = box
            shown = photo.pixels[y0:y1, x0:x1]
            scale = min(1.0, max_side_px / max(shown.shape[:2]))
            shown = cv2.resize(shown, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
        bgr = srgb_bytes(photo.linearise(shown))[..., ::-1]
        ok, jpeg = cv2.imencode(".jpg", bgr, [cv2.IMWRITE_JPEG_QUALITY, JPEG_QUALITY])
        if not ok:
            raise ValueError("the picture could not be written as JPEG")
        return {}, [jpeg.tobytes()]


def _send(connection: Connection, header: dict[str, Any], blobs: list[bytes] | None = None) -> None:
    blobs = blobs or []
    connection.send_bytes(json.dumps(header | {"blobs": len(blobs)}).encode())
    for blob in blobs:
        connection.send_bytes(blob)


def _describe(error: Exception) -> dict[str, Any]:
    """Errors made on purpose keep their words; others go to the terminal, and only their kind to the user."""
    from model.errors import RimlightError

    if isinstance(error, RimlightError):
        return {"error": type(error).__name__, "message": str(error)}
    traceback.print_exception(error)
    return {"error": "ReaderStopped", "message": f"a step failed on it ({type(error).__name__})."}


def _mute_decoders() -> None:
    """Native decoders write to the terminal about each damaged file; only our own words stay."""
    try:
        own = os.fdopen(os.dup(2), "w", buffering=1, errors="replace")
    except OSError:  # there is no terminal
        return
    sys.stderr = own
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, 2)
    os.close(nowhere)


def _limit_process() -> None:
    """Bound memory where the platform can, and leave Ctrl-C to the parent."""
    with contextlib.suppress(ValueError):
        signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        import resource
    except ImportError:  # not on every platform
        return
    _lower(resource.RLIMIT_AS, MEMORY_LIMIT_BYTES)
    _lower(resource.RLIMIT_CORE, 0)


def _limit_cpu() -> None:
    """Give the next job its share of processor time on top of what is used already."""
    try:
        import resource
    except ImportError:
        return
    used = os.times()
    _lower(resource.RLIMIT_CPU, int(used.user + used.system) + CPU_LIMIT_S)


def _lower(kind: int, soft: int) -> None:
    """Set the soft limit, never above the hard one; a platform that refuses goes without."""
    import resource

    hard = resource.getrlimit(kind)[1]
    bounded = soft if hard == resource.RLIM_INFINITY else min(soft, hard)
    with contextlib.suppress(ValueError, OSError):
        resource.setrlimit(kind, (bounded, hard))
