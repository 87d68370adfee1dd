"""A data folder put back to what it was in a backup; what is there now is set aside, never deleted."""

from __future__ import annotations

import contextlib
import shutil
import sqlite3
import sys
from dataclasses import dataclass
from pathlib import Path

from service.backup.backups import Backup, Backups, Progress
from service.errors import StoreError
from service.files import FileFolder, sync_folder, write_synced
from service.folder_lock import FolderUse, ServingLock
from service.quarantine import Quarantine
from service.salvage import SIDE_FILES
from service.store import DATABASE_NAME


@dataclass(frozen=True)
class Restored:
    """What a restore did.

    ``set_aside``: files moved to the quarantine. ``files_put_back``: photos and strips that were missing or
    damaged. ``newer_photos``: photo files in the folder that the backup does not know: they came after it.
    ``newer_changes``: changes logged after the backup, as sentences; None where the old database could not
    be read.
    """

    backup: str
    set_aside: tuple[str, ...]
    files_put_back: int
    newer_photos: tuple[str, ...]
    newer_changes: tuple[str, ...] | None


def restore_backup(backups: Backups, backup: Backup, progress: Progress) -> Restored:
    """Put the backup's database and files back.

    Raises
    ------
    StoreError
        The backup is not whole, a server runs on the folder, or it cannot be written; nothing was changed.
    """
    backups.verify(backup, progress)
    data_folder = backups.data_folder
    data_folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    serving = ServingLock(data_folder)
    try:
        use = FolderUse(data_folder)
        try:
            with use.alone() as alone:
                if not alone and sys.platform != "win32":  # Windows replaces no file that is open elsewhere
                    raise StoreError("Another rimlight has this folder open: stop it, then restore.")
                return _put_back(backups, backup, progress)
        except OSError as error:
            raise StoreError(
                f"{data_folder} cannot be written ({error.strerror or error}): free some space or check its "
                "rights, then restore again. What was there is there, or in the quarantine."
            ) from error
        finally:
            use.release()
    finally:
        serving.release()


def _put_back(backups: Backups, backup: Backup, progress: Progress) -> Restored:
    """Files first, then the database in one rename, after a copy of the old one was set aside.

    A write-ahead log left beside another database would be taken for its own, so it goes before.
    """
    folder = backups.data_folder
    live = folder / DATABASE_NAME
    put_back = _restore_files(backups, backup, progress)
    known = {name for _, name in backups.wanted_files(backup.path)}
    newer = [path.name for path in FileFolder(folder / "photos").find_leftovers(known, 0.0)]
    changes = _list_newer_changes(live, backup.path)
    fresh = folder / f"{DATABASE_NAME}.restored"
    write_synced(fresh, backup.path.read_bytes())
    quarantine = Quarantine(folder / "quarantine")
    set_aside = []
    if live.exists():
        old = folder / f"{DATABASE_NAME}.before-restore"
        shutil.copyfile(live, old)
        set_aside.append(quarantine.take(old))
    set_aside += [quarantine.take(path) for path in _side_files(live) if path.exists()]
    fresh.replace(live)
    sync_folder(folder)
    with contextlib.suppress(OSError):
        shutil.rmtree(folder / "derived")  # pictures that can be made again
    names = tuple(str(path.relative_to(folder)) for path in set_aside)
    return Restored(backup.name, names, put_back, tuple(sorted(newer)), changes)


def _side_files(database: Path) -> list[Path]:
    return [Path(f"{database}{end}") for end in SIDE_FILES]


def _restore_files(backups: Backups, backup: Backup, progress: Progress) -> int:
    wanted = list(backups.wanted_files(backup.path))
    count = 0
    names = (name for _, name in wanted)
    for (kept, name), _ in zip(wanted, progress(names, len(wanted), "putting back"), strict=True):
        home = FileFolder(backups.data_folder / kept.folder.name)
        if home.read(name) is None:
            data = kept.read(name)
            if data is None:
                raise StoreError(f"{name} went missing from {kept.folder}. Nothing was changed.")
            home.keep(data, name.rpartition(".")[2])
            count += 1
    return count


def _list_newer_changes(live: Path, backup: Path) -> tuple[str, ...] | None:
    """What the log of the database that goes says and that of the backup does not."""
    try:
        with contextlib.closing(sqlite3.connect(f"{backup.absolute().as_uri()}?mode=ro", uri=True)) as old:
            held = {row[0] for row in old.execute("SELECT id FROM change")}
        with contextlib.closing(sqlite3.connect(f"{live.absolute().as_uri()}?mode=ro", uri=True)) as now:
            rows = now.execute("SELECT id, at, who, action FROM change ORDER BY seq")
            return tuple(f"{at}: {action}, by {who}" for i, at, who, action in rows if i not in held)
    except sqlite3.DatabaseError:
        return None
