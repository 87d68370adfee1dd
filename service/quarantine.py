"""Where a check and a start put what they cannot leave in place: nothing is deleted, nothing overwritten."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from service.errors import StoreError
from service.files import sync_folder, write_synced


class Quarantine:
    """A folder of things set aside, under the names they had."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def take(self, path: Path) -> Path:
        """Move a file here; returns where it lies now."""
        try:
            self.folder.mkdir(exist_ok=True)
            target = self._free_place(path.name)
            path.rename(target)
            sync_folder(self.folder)
            sync_folder(path.parent)
        except OSError as error:
            raise StoreError(f"{path} cannot be set aside ({error.strerror}).") from error
        return target

    def take_rows(self, name: str, rows: Sequence[Mapping[str, Any]]) -> Path:
        """Write rows down, one JSON a line, bytes as hex; returns the file."""
        lines = [json.dumps(row, default=lambda value: value.hex()) for row in rows]
        try:
            self.folder.mkdir(exist_ok=True)
            target = self._free_place(f"{name}.jsonl")
            write_synced(target, "".join(f"{line}\n" for line in lines).encode())
            sync_folder(self.folder)
        except OSError as error:
            raise StoreError(f"Rows cannot be set aside in {self.folder} ({error.strerror}).") from error
        return target

    def find_bytes_of(self, name: str) -> list[Path]:
        """Files set aside under this name."""
        found = self.folder.glob(f"{name}*") if self.folder.is_dir() else ()
        return sorted(path for path in found if path.is_file())

    def _free_place(self, name: str) -> Path:
        target, number = self.folder / name, 1
        while target.exists():
            number += 1
            target = self.folder / f"{name}.{number}"
        return target
