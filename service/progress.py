"""A progress bar on standard error, for commands that go through many files."""

from __future__ import annotations

import sys
from collections.abc import Iterable


def show_progress(steps: Iterable[str], total: int, what: str) -> Iterable[str]:
    """The steps, with a bar that says what is done and how far."""
    from tqdm import tqdm

    shown: Iterable[str] = tqdm(steps, total=total, desc=what, unit="file", file=sys.stderr)
    return shown
