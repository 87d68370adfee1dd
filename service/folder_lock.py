"""Which processes use a data folder: advisory locks that the system lets go of when a process dies.

``in-use.lock`` is shared by every process that has the store open; who gets it alone knows that no file
in the folder is being written by anybody else. ``serving.lock`` belongs to the one server of the folder and
says where it is.
"""

from __future__ import annotations

import contextlib
import json
import os
import sys
import time
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import IO, Any

from service.errors import StoreError

# Locked far behind the file's content, so that the content can be read where locks are mandatory.
LOCKED_BYTE = 1 << 30

if sys.platform == "win32":
    import msvcrt

    def _lock(stream: IO[bytes], shared: bool, wait: bool = False) -> bool | None:
        """Windows' own call knows no shared locks: whether others are there cannot be told."""
        if shared:
            return None
        stream.seek(LOCKED_BYTE)
        try:
            msvcrt.locking(stream.fileno(), msvcrt.LK_NBLCK, 1)
        except OSError:
            return False
        return True

else:
    import fcntl

    def _lock(stream: IO[bytes], shared: bool, wait: bool = False) -> bool | None:
        """Whether the lock was granted; None where the file system has no locks."""
        kind = fcntl.LOCK_SH if shared else fcntl.LOCK_EX
        try:
            fcntl.flock(stream, kind | (0 if wait else fcntl.LOCK_NB))
        except BlockingIOError:
            return False
        except OSError:
            return None
        return True


class FolderUse:
    """A share of the folder, held until ``release`` or the end of the process."""

    def __init__(self, folder: Path) -> None:
        self._stream = _open(folder / "in-use.lock")
        _lock(self._stream, shared=True, wait=True)

    @contextlib.contextmanager
    def alone(self) -> Iterator[bool]:
        """Whether no other process has the folder open; others that come wait until this is over.

        Never true where it cannot be told.
        """
        granted = sys.platform != "win32" and _lock(self._stream, shared=False) is True
        try:
            yield granted
        finally:
            _lock(self._stream, shared=True, wait=True)

    def release(self) -> None:
        """Give the share back."""
        self._stream.close()


class ServingLock:
    """Held by the one process that serves a folder."""

    def __init__(self, folder: Path) -> None:
        self._path = folder / "serving.lock"
        self._stream = _open(self._path)
        if not self._try_often():
            self._stream.close()
            held = read_serving(folder) or {}
            where = f" at {held['address']} (process {held['process']})" if "address" in held else ""
            raise StoreError(
                f"Another rimlight serves {folder} already{where}: use that one, stop it, or take another "
                "folder with --data."
            )
        # A server that ends by itself leaves its lock empty.
        self.ended_badly = bool(self._stream.read(1))

    def _try_often(self) -> bool:
        """A command that only looks whether somebody serves holds the lock for a moment."""
        for _ in range(5):
            if _lock(self._stream, shared=False) is not False:
                return True
            time.sleep(0.05)
        return False

    def tell(self, facts: Mapping[str, Any]) -> None:
        """Say where this server is, for other commands on this machine; a full disk does not matter."""
        with contextlib.suppress(OSError):
            self._stream.seek(0)
            self._stream.truncate()
            self._stream.write(json.dumps(dict(facts) | {"process": os.getpid()}).encode())
            self._stream.flush()

    def release(self) -> None:
        """Stop being the server of the folder."""
        with contextlib.suppress(OSError):
            self._stream.seek(0)
            self._stream.truncate()
            self._stream.flush()
        self._stream.close()


def read_serving(folder: Path) -> dict[str, Any] | None:
    """What the server of the folder said of itself, or None where none runs."""
    try:
        with _open(folder / "serving.lock") as stream:
            if _lock(stream, shared=True) is True:
                return None  # nobody holds it: whatever it says is of a server that died
            stream.seek(0)
            said: dict[str, Any] = json.loads(stream.read() or b"{}")
    except (OSError, ValueError, StoreError):
        return None
    return said


def _open(path: Path) -> IO[bytes]:
    try:
        return path.open("r+b" if path.exists() else "w+b")
    except OSError as error:
        raise StoreError(
            f"The data folder {path.parent} cannot be written ({error.strerror}): check its rights, or take "
            "another folder with --data."
        ) from error
