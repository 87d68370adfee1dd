"""Archives that came in by the network and wait to be looked at: under names of our own, gone in a day."""

from __future__ import annotations

import contextlib
import re
import secrets
import time
from pathlib import Path
from typing import BinaryIO

from service.errors import NotFound, StoreError

KEPT_S = 86_400.0
NAME = re.compile(r"[0-9a-f]{32}")


class Arrivals:
    """Waiting archives in ``folder``; one is named by the id that its sender was told."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def open_new(self) -> tuple[str, BinaryIO]:
        """A new id and its file, to be written; archives that nobody came back for go now.

        Raises
        ------
        StoreError
            The data folder cannot be written.
        """
        self.drop_old()
        arrival = secrets.token_hex(16)
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
            return arrival, (self.folder / f"{arrival}.zip").open("xb")
        except OSError as error:
            raise StoreError(
                f"The archive cannot be kept here ({error.strerror}): free some space."
            ) from error

    def find(self, arrival: str) -> Path:
        """Where it lies.

        Raises
        ------
        NotFound
            There is none of that id, or it has gone.
        """
        path = self.folder / f"{arrival}.zip"
        if NAME.fullmatch(arrival) is None or not path.is_file():
            raise NotFound("That archive is no longer here: choose it again.")
        return path

    def drop(self, arrival: str) -> None:
        """Let it go."""
        if NAME.fullmatch(arrival) is not None:
            with contextlib.suppress(OSError):
                (self.folder / f"{arrival}.zip").unlink(missing_ok=True)

    def drop_old(self) -> None:
        """Let those go that are older than a day."""
        for path in self.folder.glob("*.zip") if self.folder.is_dir() else ():
            with contextlib.suppress(OSError):
                if time.time() - path.stat().st_mtime > KEPT_S:
                    path.unlink()
