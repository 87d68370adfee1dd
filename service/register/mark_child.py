"""Runs in a process of its own: reads one mark and goes. A reader's native code is not trusted with ours."""

from __future__ import annotations

import contextlib
import json
import os
import sys

# Address space; the reader's models and one picture need about a quarter.
MEMORY_LIMIT_BYTES = 4 * 1024**3


def main() -> None:
    """Take a JPEG from standard input, write a suggestion as JSON to standard output."""
    answer = os.fdopen(os.dup(1), "w", encoding="utf-8")
    os.dup2(2, 1)  # whatever a library prints is no answer
    _limit_memory()
    import cv2
    import numpy as np

    from service.register.mark_text import suggest_mark_text

    cv2.setNumThreads(1)
    picture = cv2.imdecode(np.frombuffer(sys.stdin.buffer.read(), np.uint8), cv2.IMREAD_COLOR)
    if picture is None:
        raise SystemExit("expected a picture on standard input")
    suggestion = suggest_mark_text(np.ascontiguousarray(picture[..., ::-1]))
    json.dump(suggestion.as_json(), answer)
    answer.close()


def _limit_memory() -> None:
    with contextlib.suppress(ImportError, ValueError, OSError):  # not on every platform
        import resource

        resource.setrlimit(resource.RLIMIT_AS, (MEMORY_LIMIT_BYTES, MEMORY_LIMIT_BYTES))


if __name__ == "__main__":
    main()
