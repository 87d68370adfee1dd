"""Rows as JSON lines, packed with gzip where the file's name says so."""

from __future__ import annotations

import gzip
import json
from collections.abc import Iterable
from pathlib import Path
from typing import Any


def read_rows(path: Path) -> list[dict[str, Any]]:
    """Rows of a ``.jsonl`` or ``.jsonl.gz`` file."""
    held = path.read_bytes()
    text = (gzip.decompress(held) if path.suffix == ".gz" else held).decode("utf-8")
    return [json.loads(line) for line in text.splitlines() if line.strip()]


def write_rows(path: Path, rows: Iterable[dict[str, Any]]) -> None:
    """Write rows, one JSON a line; the same rows always give the same bytes."""
    text = "".join(json.dumps(row, separators=(",", ":")) + "\n" for row in rows).encode("utf-8")
    path.write_bytes(gzip.compress(text, mtime=0) if path.suffix == ".gz" else text)
