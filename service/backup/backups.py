"""A folder of backups: whole copies of the database, and one copy of every photo and strip they name.

A photo never changes, so it is copied once for all backups; the database is copied through SQLite's own
backup, which gives one consistent state while others write.
"""

from __future__ import annotations

import contextlib
import os
import re
import sqlite3
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from service.backup.rotation import choose_kept
from service.errors import NotFound, StoreError
from service.files import FileFolder, sync_folder
from service.store import DATABASE_NAME

NAME = re.compile(r"(\d{8}T\d{6}Z)\.sqlite3")
TIME_FORMAT = "%Y%m%dT%H%M%SZ"
PAGES_AT_ONCE = 2000

Progress = Callable[[Iterable[str], int, str], Iterable[str]]


@dataclass(frozen=True)
class Backup:
    """One backup: its name is the time it was made (ISO 8601 basic, UTC)."""

    path: Path

    @property
    def name(self) -> str:
        """Its name, as commands take it."""
        return self.path.stem

    @property
    def made_at(self) -> datetime:
        """When it was made."""
        return datetime.strptime(self.name, TIME_FORMAT).replace(tzinfo=UTC)


class Backups:
    """The backups of one data folder, by default beside its database."""

    def __init__(self, data_folder: Path, folder: Path | None = None) -> None:
        self.data_folder = data_folder
        self.folder = data_folder / "backups" if folder is None else folder
        self.photos = FileFolder(self.folder / "photos")
        self.strips = FileFolder(self.folder / "strips")

    def list_backups(self) -> list[Backup]:
        """All backups, oldest first."""
        found = self.folder.glob("*.sqlite3") if self.folder.is_dir() else ()
        return sorted((Backup(path) for path in found if NAME.fullmatch(path.name)), key=lambda b: b.name)

    def find_backup(self, name: str | None) -> Backup:
        """The backup of that name, or the newest.

        Raises
        ------
        NotFound
            There is none; it says which there are.
        """
        backups = self.list_backups()
        if not backups:
            raise NotFound(f"There is no backup in {self.folder}: name their folder with --from.")
        if name is None:
            return backups[-1]
        for backup in backups:
            if backup.name == name.removesuffix(".sqlite3"):
                return backup
        raise NotFound(f"There is no backup {name!r}; there are {', '.join(b.name for b in backups[-10:])}.")

    def make_backup(self, now: datetime, progress: Progress, recheck: bool = False) -> Backup:
        """Copy the database, then the files it names that are not here yet; the database is checked first.

        ``recheck``: also read again what is here already, and copy anew what is damaged.

        Raises
        ------
        StoreError
            The place cannot be written, or what would be backed up is damaged: then the older backups stay
            as they are.
        """
        target = Backup(self.folder / f"{now.astimezone(UTC).strftime(TIME_FORMAT)}.sqlite3")
        part = target.path.with_suffix(".part")
        try:
            self.folder.mkdir(mode=0o700, parents=True, exist_ok=True)
            _copy_database(self.data_folder / DATABASE_NAME, part)
            refuse_damaged(part)
            self._copy_files(part, progress, recheck)
            part.replace(target.path)
            sync_folder(self.folder)
        except OSError as error:
            raise StoreError(
                f"No backup could be written to {self.folder} ({error.strerror or error}): free some space "
                "or choose another place with --to."
            ) from error
        finally:
            with contextlib.suppress(OSError):
                part.unlink(missing_ok=True)
        return target

    def thin_out(self) -> list[Backup]:
        """Remove the backups that have grown old, and the files that none of the others needs."""
        backups = self.list_backups()
        kept = choose_kept(backup.made_at for backup in backups)
        gone = [backup for backup in backups if backup.made_at not in kept]
        for backup in gone:
            backup.path.unlink()
        if gone:
            self._drop_unneeded_files()
        return gone

    def verify(self, backup: Backup, progress: Progress) -> None:
        """Check the database and the bytes of every file it names.

        Raises
        ------
        StoreError
            Something is missing or damaged; it names the first and says how many.
        """
        refuse_damaged(backup.path)
        wanted = list(self.wanted_files(backup.path))
        labels = (name for _, name in wanted)
        bad = []
        for (folder, name), _ in zip(wanted, progress(labels, len(wanted), "verifying"), strict=True):
            if folder.read(name) is None:
                bad.append(name)
        if bad:
            raise StoreError(
                f"Backup {backup.name} lacks {len(bad)} of its {len(wanted)} files, the first is {bad[0]}: "
                "make a new backup while the gallery is whole."
            )

    def wanted_files(self, database: Path) -> Iterator[tuple[FileFolder, str]]:
        """Every photo and strip a database names, with the folder here that keeps it."""
        photos, strips = list_named_files(database)
        yield from ((self.photos, name) for name in photos)
        yield from ((self.strips, name) for name in strips)

    def _copy_files(self, database: Path, progress: Progress, recheck: bool) -> None:
        photos, strips = list_named_files(database)
        for names, here, there in (
            (photos, self.photos, FileFolder(self.data_folder / "photos")),
            (strips, self.strips, FileFolder(self.data_folder / "strips")),
        ):
            looked_at = [name for name in names if recheck or not here.path_of(name).is_file()]
            for name in progress(looked_at, len(looked_at), here.folder.name) if looked_at else ():
                if recheck and here.read(name) is not None:
                    continue
                data = there.read(name)
                if data is None:
                    raise StoreError(
                        f"The stored file {name} is missing or damaged, so no backup was made and the older "
                        "ones stay: run `rimlight check`."
                    )
                here.keep(data, name.rpartition(".")[2])

    def _drop_unneeded_files(self) -> None:
        needed: set[str] = set()
        try:
            for backup in self.list_backups():
                for names in list_named_files(backup.path):
                    needed |= set(names)
        except sqlite3.DatabaseError:  # what a damaged backup needs is not known, so all files stay
            return
        for folder in (self.photos, self.strips):
            for path in folder.find_leftovers(needed):
                path.unlink()


def list_named_files(database: Path) -> tuple[list[str], list[str]]:
    """Photo files and strip files that a database's rows name."""
    with contextlib.closing(_open_to_read(database)) as connection:
        photos = connection.execute("SELECT DISTINCT file FROM photo ORDER BY file")
        strips = connection.execute(
            "SELECT DISTINCT strip_file FROM reading WHERE strip_file IS NOT NULL ORDER BY strip_file"
        )
        return [row[0] for row in photos], [row[0] for row in strips]


def refuse_damaged(database: Path) -> None:
    """Let SQLite check every page and every reference.

    Raises
    ------
    StoreError
        The database is damaged.
    """
    try:
        with contextlib.closing(_open_to_read(database)) as connection:
            said = connection.execute("PRAGMA integrity_check(1)").fetchone()[0]
            broken = connection.execute("PRAGMA foreign_key_check").fetchone()
    except sqlite3.DatabaseError as error:
        raise StoreError(
            f"The database {database.name} is damaged ({error}): run `rimlight check`."
        ) from error
    if said != "ok" or broken is not None:
        what = said if said != "ok" else f"a row of {broken[0]} points at nothing"
        raise StoreError(f"The database {database.name} is damaged ({what}): run `rimlight check`.")


def _open_to_read(database: Path) -> sqlite3.Connection:
    return sqlite3.connect(f"{database.absolute().as_uri()}?mode=ro", uri=True)


def _copy_database(source: Path, target: Path) -> None:
    if not source.is_file():
        raise StoreError(f"There is no gallery in {source.parent}: name its folder with --data.")
    target.unlink(missing_ok=True)
    try:
        with (
            contextlib.closing(_open_to_read(source)) as live,
            contextlib.closing(sqlite3.connect(target)) as copy,
        ):
            live.backup(copy, pages=PAGES_AT_ONCE)
            copy.execute("PRAGMA journal_mode = DELETE")  # everything in the one file
    except sqlite3.DatabaseError as error:
        raise StoreError(
            f"The database {source} cannot be copied ({error}), so no backup was made and the older ones "
            "stay: run `rimlight check`."
        ) from error
    with target.open("rb+") as stream:
        os.fsync(stream.fileno())
