"""Content-addressed files: written whole or not at all, named by their SHA-256."""

from __future__ import annotations

import contextlib
import hashlib
import math
import os
import secrets
import shutil
import time
from collections.abc import Iterable
from pathlib import Path

from service.errors import StoreError

# A file being written belongs to a process that may still live; older leftovers belong to a dead one.
LEFTOVER_AGE_S = 3600.0
RESERVE_BYTES = 32_000_000  # the write-ahead log grows to some 4 MB before it is folded in; this is ample


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
        return next(iter(self.keep_all([(data, suffix)])))

    def keep_all(self, files: Iterable[tuple[bytes, str]]) -> list[str]:
        """Keep many, one in memory at a time; all are safely down when this returns, not before.

        Raises
        ------
        StoreError
            The disk is full or the folder cannot be written.
        """
        names = []
        touched: set[Path] = set()
        try:
            for data, suffix in files:
                names.append(f"{hashlib.sha256(data).hexdigest()}.{suffix}")
                target = self.path_of(names[-1])
                touched.add(target.parent)
                if self.read(names[-1]) == data:
                    target.touch()  # whoever wrote it may have died; nor may it pass for a leftover
                else:
                    self._write(data, target)
            for folder in [*sorted(touched), self.folder, self.folder.parent] if touched else ():
                sync_folder(folder)
        except OSError as error:
            raise StoreError(
                f"{self.folder} cannot be written ({error.strerror}): free some space or check its rights."
            ) from error
        return names

    def _write(self, data: bytes, target: Path) -> None:
        """File synced and renamed; its name is durable only when the folders are synced too."""
        self.incoming.mkdir(parents=True, exist_ok=True)
        target.parent.mkdir(parents=True, exist_ok=True)
        _refuse_last_room(self.folder, len(data))
        part = self.incoming / f"{secrets.token_hex(8)}.part"
        try:
            write_synced(part, data)
            part.replace(target)
        except OSError:
            with contextlib.suppress(OSError):
                part.unlink(missing_ok=True)
            raise

    def read(self, name: str) -> bytes | None:
        """The bytes, or None where the file is missing or no longer what its name says."""
        try:
            data = self.path_of(name).read_bytes()
        except OSError:
            return None
        return data if hashlib.sha256(data).hexdigest() == name.split(".")[0] else None

    def find_leftovers(self, known: Iterable[str], youngest_s: float = LEFTOVER_AGE_S) -> list[Path]:
        """Half-written files, and whole ones that no row names; younger than ``youngest_s`` are left out."""
        keep = set(known)
        oldest = time.time() - youngest_s if youngest_s else math.inf
        found = []
        for path in self.folder.glob("*/*"):
            stray = path.parent == self.incoming or path.name not in keep
            with contextlib.suppress(FileNotFoundError):  # whoever was writing it has just finished
                if stray and path.is_file() and path.stat().st_mtime < oldest:
                    found.append(path)
        return sorted(found)


def _refuse_last_room(folder: Path, size: int) -> None:
    """Leave room for the database: undoing, removing and confirming must work on a nearly full disk."""
    with contextlib.suppress(OSError):
        free = shutil.disk_usage(folder).free
        if free < size + RESERVE_BYTES:
            raise StoreError(
                f"The disk of {folder} is full ({free // 10**6} MB are left): free some space. Nothing was "
                "stored, and what was stored before is safe."
            )


def write_synced(path: Path, data: bytes) -> None:
    """Write a file and wait until it is down."""
    with path.open("wb") as stream:
        stream.write(data)
        stream.flush()
        os.fsync(stream.fileno())


def sync_folder(folder: Path) -> None:
    """Make names in a folder durable; platforms that cannot open folders do so by themselves."""
    if os.name == "nt":
        return
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
