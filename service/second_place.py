"""A second place for the automatic backups, chosen by the owner: a stick or another disk."""

from __future__ import annotations

import os
from pathlib import Path

from service.backup.backups import Backups
from service.errors import LabelError
from service.store import Store

BACKUP_TO = "backup_to"
PATH_LENGTH = 1000


def find_second_place(store: Store) -> Path | None:
    """Its folder, or None where none was chosen."""
    with store.looking() as tx:
        chosen = store.folder_fact(tx, BACKUP_TO)
    return Path(chosen) if chosen else None


def list_second_backups(store: Store) -> list[Backups]:
    """The backups there, if it is plugged in now: a stick that lies in a drawer is no fault."""
    chosen = find_second_place(store)
    return [Backups(store.folder, chosen)] if chosen is not None and chosen.is_dir() else []


def choose_second_place(store: Store, typed: str | None) -> Path | None:
    """Remember a folder that exists and can be written, or with None forget it; returns the one before.

    Raises
    ------
    LabelError
        The folder cannot serve; it says why.
    """
    before = find_second_place(store)
    chosen = _check_place(store.folder, typed) if typed and typed.strip() else None
    with store.writing() as tx:
        store.set_folder_fact(tx, BACKUP_TO, str(chosen) if chosen is not None else "")
    return before


def _check_place(data_folder: Path, typed: str) -> Path:
    chosen = Path(typed.strip()).expanduser()
    if len(typed) > PATH_LENGTH or not typed.isprintable() or not chosen.is_absolute():
        raise LabelError("backup_to: expected the whole path of a folder, from the root or drive on.")
    if not chosen.is_dir():
        raise LabelError(
            f"backup_to: there is no folder {chosen}: plug the disk in, or make the folder first."
        )
    real, own = chosen.resolve(), data_folder.resolve()
    if real == own or own in real.parents:
        raise LabelError("backup_to: that lies in the data folder itself: choose a folder on another disk.")
    if not os.access(real, os.W_OK):
        raise LabelError(f"backup_to: {chosen} cannot be written: check its rights, or choose another.")
    return chosen
