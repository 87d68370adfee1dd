"""Everything out in one archive, and in again: the same content gives the same bytes.

The archive holds one JSON line a row, table by table, and the sealed photos and strips as they lie in the
data folder. Kept answers and paired devices stay at home. A shared archive also leaves out what is private,
what was removed, photos that were never confirmed, and the change log.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Collection, Iterable, Iterator
from contextlib import contextmanager
from itertools import islice
from pathlib import Path
from typing import Any

import sqlalchemy as sa

from service import tables
from service.errors import RecordError, StoreError
from service.exchange.archive import ABOUT, FORMAT, HINT, VERSION, Archive, ArchiveRefused, ArchiveWriter
from service.exchange.rows import (
    EXPORTED,
    Row,
    clear_start,
    count_rows,
    fit_row,
    is_untouched,
    list_files,
    put_rows,
    read_rows,
    row_line,
)
from service.exchange.shared import Shared
from service.files import FileFolder
from service.migrations import MIGRATIONS
from service.register.drawn_out import draw_all_out
from service.register.forms import read_record
from service.store import STARTED, Store

ROWS_A_PART = 5000

Progress = Callable[[Iterable[str], int, str], Iterable[str]]
"""Wraps an iterable of known length to show how far a loop over it is, with a word for what is done."""


def export_everything(store: Store, path: Path, progress: Progress, shared: bool = False) -> dict[str, Any]:
    """Write the archive; returns what it says about itself.

    Raises
    ------
    StoreError
        A stored photo is missing or damaged (run the check), or the file cannot be written.
    """
    try:
        with store.looking() as tx, ArchiveWriter(path) as archive:
            chosen = Shared.choose(tx) if shared else None
            photos, strips = list_files(tx) if chosen is None else chosen.list_files(tx)
            about = _describe(tx, chosen, len(photos), len(strips))
            archive.add(ABOUT, (json.dumps(about, indent=1, sort_keys=True) + "\n").encode())
            for table in EXPORTED:
                rows = read_rows(tx, table)
                _add_rows(archive, table.name, rows if chosen is None else chosen.keep(table, rows))
            for name in progress(photos, len(photos), "photos"):
                archive.add(f"photos/{name}", _read_file(store.photos, name))
            for name in progress(strips, len(strips), "strips"):
                archive.add(f"strips/{name}", _read_file(store.strips, name))
    except OSError as error:
        raise StoreError(f"{path} cannot be written ({error.strerror}): choose another place.") from error
    return about


def import_everything(store: Store, archive: Archive, progress: Progress) -> dict[str, int]:
    """Put a whole archive into a data folder that holds nothing yet; returns rows put in by table.

    Everything is verified before anything is written; then files, then all rows in one transaction.

    Raises
    ------
    ArchiveRefused
        The archive is not whole or does not fit, or the folder is in use already.
    """
    check_schema(archive)
    with store.looking() as tx:
        refuse_used(tx, store.folder)
    verify_all(archive, progress)
    keep_files(store, archive, progress)
    with refusing_odd_rows(archive), store.writing() as tx:
        refuse_used(tx, store.folder)
        clear_start(tx)
        put = {t.name: put_rows(tx, t, map(check_content, archive.rows(t.name))) for t in EXPORTED}
        _refuse_missing_files(tx, archive)
        draw_all_out(tx)
        if archive.about.get("shared"):  # facts about the folder stayed at home
            store.set_folder_fact(tx, STARTED, "empty")  # so no demo gallery joins it later
    return put


@contextmanager
def refusing_odd_rows(archive: Archive) -> Iterator[None]:
    """Whatever rows do not fit becomes a refusal of their archive."""
    try:
        yield
    except (ValueError, RecursionError, RecordError, sa.exc.IntegrityError) as error:
        said = str(getattr(error, "orig", error))
        raise ArchiveRefused(f"{archive.path.name} does not fit together ({said}). {HINT}") from error


def check_rows(archive: Archive) -> None:
    """Look at every row and file name before anything is made of them.

    Raises
    ------
    ValueError, RecordError
        A row is not what its table holds, or names a file that the archive has not.
    """
    held = set(archive.names)
    for table in EXPORTED:
        for row in archive.rows(table.name):
            fit_row(table, check_content(row))
            if table is tables.photo:
                _refuse_missing([f"photos/{row['file']}"], held)
            elif table is tables.reading and row.get("strip_file") is not None:
                _refuse_missing([f"strips/{row['strip_file']}"], held)


def check_content(row: Row) -> Row:
    """A row whose JSON is what its kind should hold.

    Raises
    ------
    ValueError, RecordError
        It is not.
    """
    if "body" in row and "kind" in row:
        read_record(str(row["kind"]), str(row.get("id")), _read_object(row["body"]))
    elif "facts" in row and _read_object(row["facts"]).get("id") != row.get("id"):
        raise ValueError("a reading does not hold its own facts")
    return row


def _read_object(text: Any) -> dict[str, Any]:
    held = json.loads(str(text))
    if not isinstance(held, dict):
        raise ValueError("a row holds JSON that is no object")
    return held


def verify_all(archive: Archive, progress: Progress) -> None:
    """Read every member against its checksum."""
    for _ in progress(archive.verify(), len(archive.names), "verifying"):
        pass


def check_schema(archive: Archive) -> None:
    """Refuse rows of a newer store than this one.

    Raises
    ------
    ArchiveRefused
        The archive's tables are newer, or it does not say how old they are.
    """
    schema, newest = archive.about.get("schema"), newest_schema()
    if not isinstance(schema, int) or schema > newest:
        raise ArchiveRefused(
            f"{archive.path.name} holds tables of a newer rimlight ({schema!r}, this one knows {newest}): "
            "update rimlight, then try again. Nothing was changed."
        )


def newest_schema() -> int:
    """Number of the last migration."""
    return max(MIGRATIONS)


def refuse_used(tx: sa.Connection, folder: Path) -> None:
    """An import is for an empty folder; into a used one an archive is merged."""
    if not is_untouched(tx):
        raise ArchiveRefused(
            f"The data folder {folder} is in use: import into an empty one (--data DIR), or use "
            "`rimlight merge`, which shows first what it would do. Nothing was changed."
        )


def keep_files(store: Store, archive: Archive, progress: Progress) -> None:
    """Put photos and strips safely down, one in memory at a time."""
    for start, folder in (("photos/", store.photos), ("strips/", store.strips)):
        names = [name for name in archive.names if name.startswith(start)]
        files = (
            (archive.read(n), n.rpartition(".")[2]) for n in progress(names, len(names), start.strip("/"))
        )
        kept = folder.keep_all(files)
        if kept != [name.removeprefix(start) for name in names]:
            raise ArchiveRefused(f"{archive.path.name} changed while it was read. {HINT}")


def _describe(tx: sa.Connection, chosen: Shared | None, photos: int, strips: int) -> dict[str, Any]:
    """No time and no machine: the same content must give the same bytes."""
    counts = (
        {table.name: count_rows(tx, table) for table in EXPORTED} if chosen is None else chosen.counts(tx)
    )
    return {
        "format": FORMAT,
        "version": VERSION,
        "schema": newest_schema(),
        "shared": chosen is not None,
        "rows": counts,
        "photos": photos,
        "strips": strips,
    }


def _add_rows(archive: ArchiveWriter, name: str, rows: Iterator[Row]) -> None:
    part = 0
    while lines := _take(rows, ROWS_A_PART):
        archive.add(f"records/{name}.{part:04d}.jsonl", lines)
        part += 1


def _take(rows: Iterator[Row], count: int) -> bytes:
    return b"".join(row_line(row) for row in islice(rows, count))


def _read_file(folder: FileFolder, name: str) -> bytes:
    data = folder.read(name)
    if data is None:
        raise StoreError(
            f"The stored file {name} is missing or damaged: run `rimlight check` first. No archive was made."
        )
    return data


def _refuse_missing_files(tx: sa.Connection, archive: Archive) -> None:
    photos, strips = list_files(tx)
    _refuse_missing([f"photos/{n}" for n in photos] + [f"strips/{n}" for n in strips], set(archive.names))


def _refuse_missing(names: Iterable[str], held: Collection[str]) -> None:
    for name in names:
        if name not in held:
            raise ValueError(f"{name} is not in it")
