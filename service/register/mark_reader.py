"""Reads the text of a mark in a child process with limits, which goes when it is done.

The picture handed over is one that the service itself wrote (a bounded JPEG without metadata), never an
upload; marks are read once in a piece's life, so a fresh process is cheaper than models kept in memory.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

from service.register.mark_text import CAUTION, MISSING, can_read_marks

TIME_LIMIT_S = 90.0
MOST_BYTES = 12_000_000
STOPPED = "The reader of marks stopped on this photo; type the mark in."
_ROOT = Path(__file__).resolve().parents[2]


def read_mark_photo(jpeg: bytes, limit_s: float = TIME_LIMIT_S) -> dict[str, Any]:
    """The suggestion as JSON: ``text``, ``lines``, ``reason`` (why there is none), ``caution``.

    Parameters
    ----------
    jpeg : a picture of the mark as the service shows it, the longer side about 1,000 to 2,000 pixels.

    Returns
    -------
    Always an answer in words: where there is no reader, no text or no time, ``reason`` says so.
    """
    if not can_read_marks():
        return _say(MISSING)
    if len(jpeg) > MOST_BYTES:
        return _say("The picture of the mark is too large to be read; take a photo of the mark alone.")
    try:
        run = subprocess.run(
            [sys.executable, "-m", "service.register.mark_child"],
            input=jpeg,
            capture_output=True,
            timeout=limit_s,
            env=_environment(),
            check=True,
        )
        suggestion: dict[str, Any] = json.loads(run.stdout)
    except (subprocess.SubprocessError, OSError, ValueError):
        return _say(STOPPED)
    return suggestion


def _environment() -> dict[str, str]:
    paths = [str(_ROOT), *filter(None, os.environ.get("PYTHONPATH", "").split(os.pathsep))]
    return os.environ | {"PYTHONPATH": os.pathsep.join(paths), "OMP_NUM_THREADS": "1"}


def _say(reason: str) -> dict[str, Any]:
    return {"text": "", "lines": [], "reason": reason, "caution": CAUTION}
