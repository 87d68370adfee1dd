"""``rimlight backup`` and ``rimlight restore``: the edge of the backups."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, Any

from service.progress import show_progress

if TYPE_CHECKING:
    from service.backup.backups import Backups
    from service.backup.restore import Restored
    from service.settings import Settings

DONE = 0
MOST_NAMED = 20


def add_backup_parsers(commands: Any, shared: argparse.ArgumentParser) -> None:
    """Teach the command line to back up and to restore."""
    backup = commands.add_parser(
        "backup",
        parents=[shared],
        help="make, list or verify backups",
        description="Without a word: makes a backup, verified, and thins out old ones (the newest five, then "
        "one a day for a week, one a week for five weeks, one a month for a year). The server also makes one "
        "a day. A backup on the same disk does not help when the disk dies: use --to.",
    )
    backup.add_argument("what", nargs="?", choices=("make", "list", "verify"), default="make")
    backup.add_argument("name", nargs="?", help="which one to verify; default: the newest")
    backup.add_argument("--to", metavar="DIR", help="folder of the backups; default: in the data folder")
    restore = commands.add_parser(
        "restore",
        parents=[shared],
        help="put the data folder back to a backup",
        description="Puts everything back to what it was. What is there now is set aside, never deleted.",
    )
    restore.add_argument("name", nargs="?", help="which backup; default: the newest")
    restore.add_argument("--from", dest="to", metavar="DIR", help="folder of the backups")


def backup(given: argparse.Namespace, settings: Settings) -> int:
    """Make one, list them, or verify one."""
    backups = _find_backups(given, settings)
    if given.what == "list":
        for found in backups.list_backups():
            print(f"{found.name}  {found.path.stat().st_size / 1e6:.1f} MB")
        return DONE
    if given.what == "verify":
        found = backups.find_backup(given.name)
        backups.verify(found, show_progress)
        print(f"Backup {found.name} is whole.")
        return DONE
    from datetime import UTC, datetime

    made = backups.make_backup(datetime.now(UTC), show_progress, recheck=True)
    gone = backups.thin_out()
    print(f"Backup {made.name} lies in {backups.folder}." + (f" {len(gone)} old ones went." if gone else ""))
    return DONE


def restore(given: argparse.Namespace, settings: Settings) -> int:
    """Put one back and say what it does not hold."""
    from service.backup.restore import restore_backup

    backups = _find_backups(given, settings)
    restored = restore_backup(backups, backups.find_backup(given.name), show_progress)
    print("\n".join(say_restored(restored)))
    return DONE


def say_restored(restored: Restored) -> list[str]:
    """What was put back and what is missing, in sentences."""
    said = [f"Everything is back to backup {restored.backup}."]
    if restored.files_put_back:
        said.append(f"{restored.files_put_back} missing or damaged photos and strips were put back.")
    if restored.set_aside:
        said.append(f"What was there before is kept in {', '.join(restored.set_aside)}.")
    if restored.newer_changes is None:
        said.append("The database that was there could not be read, so changes after the backup are lost.")
    elif restored.newer_changes:
        said.append(f"{len(restored.newer_changes)} changes came after the backup and are not in it:")
        said += [f"  {change}" for change in restored.newer_changes[:MOST_NAMED]]
    if restored.newer_photos:
        said.append(
            f"{len(restored.newer_photos)} photos came after the backup and are in no record now; they lie "
            "in the photo folder until the next start sets them aside in the quarantine. Add them again:"
        )
        said += [f"  {name}" for name in restored.newer_photos[:MOST_NAMED]]
    return said


def _find_backups(given: argparse.Namespace, settings: Settings) -> Backups:
    from service.backup.backups import Backups

    return Backups(settings.data_folder, Path(given.to).expanduser().absolute() if given.to else None)
