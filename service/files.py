"""Content-addressed files: written whole or not at all, named by their SHA-256."""

from __future__ import annotations

import hashlib
import os
import secrets
import time
from collections.abc import Iterable
from pathlib import Path

from service.errors import StoreError

# A file being written belongs to a process that may still live; older leftovers belong to a dead one.
LEFTOVER_AGE_S = 3600.0


class FileFolder:
    """Files under ``folder/ab/<sha256>.<suffix>``, half-written ones under ``folder/incoming``."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.incoming = folder / "incoming"

    def path_of(self, name: str) -> Path:
        """Where the file of that name lies, whether or not it exists."""
        return self.folder / name[:2] / name

    def keep(self, data: bytes, suffix: str) -> str:
        """Write the bytes safely down and return the file's name; the same bytes are kept once.

        Raises
        ------
        StoreError
            The disk is full or the folder cannot be written.
        """
        name = f"{hashlib.sha256(data).hexdigest()}.{suffix}"
        target = self.path_of(name)
        if target.exists() and target.stat().st_size == len(data):
            return name
        try:
            self._write(data, target)
        except OSError as error:
            raise StoreError(
                f"{self.folder} cannot be written ({error.strerror}): free some space or check its rights."
            ) from error
        return name

    def _write(self, data: bytes, target: Path) -> None:
        """File synced, renamed, folder synced: only then may a row point at it."""
        self.incoming.mkdir(parents=True, exist_ok=True)
        target.parent.mkdir(parents=True, exist_ok=True)
        part = self.incoming / f"{secrets.token_hex(8)}.part"
        try:
            with part.open("wb") as stream:
                stream.write(data)
                stream.flush()
                os.fsync(stream.fileno())
            part.replace(target)
        finally:
            part.unlink(missing_ok=True)
        _sync_folder(target.parent)
        _sync_folder(self.folder)

    def read(self, name: str) -> bytes | None:
        """The bytes, or None where the file is missing or no longer what its name says."""
        try:
            data = self.path_of(name).read_bytes()
        except OSError:
            return None
        return data if hashlib.sha256(data).hexdigest() == name.split(".")[0] else None

    def set_aside_leftovers(self, known: Iterable[str], quarantine: Path) -> list[str]:
        """Move half-written files, and whole ones that no row names, to ``quarantine``; returns names."""
        keep = set(known)
        oldest = time.time() - LEFTOVER_AGE_S
        moved = []
        for path in self.folder.glob("*/*"):
            stray = path.parent == self.incoming or path.name not in keep
            if stray and path.is_file() and path.stat().st_mtime < oldest:
                quarantine.mkdir(parents=True, exist_ok=True)
                path.replace(quarantine / path.name)
                moved.append(path.name)
        return sorted(moved)


def _sync_folder(folder: Path) -> None:
    """Make a rename durable; platforms that cannot open folders do so by themselves."""
    if os.name == "nt":
        return
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
