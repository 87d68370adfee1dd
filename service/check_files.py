"""Checks of the kept files: each there, whole and named by a row; leftovers; cached pictures."""

from __future__ import annotations

import hashlib
from functools import partial
from pathlib import Path
from typing import Any

import sqlalchemy as sa

from service import tables
from service.backup.backups import Backups
from service.files import FileFolder
from service.findings import Finding, Progress
from service.store import Store

JPEG_END = b"\xff\xd9"


def check_photos(store: Store, progress: Progress) -> tuple[int, list[Finding]]:
    """Every photo row's file: there, and its bytes what its name says."""
    with store.looking() as tx:
        names = list(tx.execute(sa.select(tables.photo.c.file)).scalars())
    found = []
    for name in progress(names, "photos"):
        fault = find_fault(store.photos, name)
        if fault is not None:
            spare = _find_spare(store, name)
            mend = partial(_put_back, store, name, spare) if spare is not None else None
            if mend is None and fault == "damaged":
                mend = partial(_set_aside, store, store.photos.path_of(name))
            text = f"the file is {fault}; " + (
                f"a good copy lies in the {spare[0]}"
                if spare is not None
                else "labels and vectors are kept: put the file back from a backup, or add the photo again"
            )
            found.append(Finding(f"photo file {fault}", name, text, mend))
    return len(names), found


def check_strips(store: Store, progress: Progress) -> tuple[int, list[Finding]]:
    """Every strip's file; strips can be made again from the photo."""
    with store.looking() as tx:
        reading = tables.reading
        rows = list(
            tx.execute(sa.select(reading.c.id, reading.c.strip_file).where(reading.c.strip_file != ""))
        )
    found = []
    for row in progress(rows, "strips"):
        fault = find_fault(store.strips, row.strip_file)
        if fault is not None:
            mend = partial(_forget_strip, store, row.id, row.strip_file)
            found.append(Finding(f"strip file {fault}", row.strip_file, "it is made again when shown", mend))
    return len(rows), found


def check_leftovers(store: Store) -> list[Finding]:
    """Half-written files, and whole ones that no row names; those of a living process are left out."""
    with store.leftovers() as found:
        return [
            Finding("leftover file", path.name, "no row names it", partial(_set_aside, store, path))
            for path in found
        ]


def check_derived(store: Store) -> list[Finding]:
    """Cached pictures; a cut-off one would be shown as it is."""
    found = []
    for path in sorted(store.derived.glob("*")) if store.derived.is_dir() else ():
        if path.suffix == ".part" or not path.read_bytes().endswith(JPEG_END):
            mend = partial(_set_aside, store, path)
            found.append(Finding("cached picture cut off", path.name, "it is made again when shown", mend))
    return found


def find_fault(folder: FileFolder, name: str) -> str | None:
    """ "missing", "damaged", or None for a good file."""
    if folder.read(name) is not None:
        return None
    return "damaged" if folder.path_of(name).exists() else "missing"


def _find_spare(store: Store, name: str) -> tuple[str, bytes] | None:
    """Where the bytes that belong under the name lie too, and the bytes."""
    for path in store.quarantine.find_bytes_of(name):
        data = path.read_bytes()
        if hashlib.sha256(data).hexdigest() == name.split(".")[0]:
            return "quarantine", data
    kept = Backups(store.folder).photos.read(name)
    return None if kept is None else ("backups", kept)


def _put_back(store: Store, name: str, spare: tuple[str, bytes]) -> str:
    if store.photos.path_of(name).exists():
        store.quarantine.take(store.photos.path_of(name))
    store.photos.keep(spare[1], name.split(".", 1)[1])
    return f"put back from the {spare[0]}"


def _set_aside(store: Store, path: Path) -> str:
    kept = store.quarantine.take(path)
    return f"set aside as {kept.relative_to(store.folder)}"


def _forget_strip(store: Store, reading_id: str, name: str) -> str:
    if store.strips.path_of(name).exists():
        store.quarantine.take(store.strips.path_of(name))
    with store.writing() as tx:
        values: dict[str, Any] = {"strip_file": None}
        tx.execute(sa.update(tables.reading).where(tables.reading.c.id == reading_id).values(values))
    return "will be made again when shown"
