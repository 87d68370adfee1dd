"""``rimlight export`` and ``rimlight import``: the edge of taking everything out and in."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from service.settings import Settings

DONE = 0


def add_exchange_parsers(commands: Any, shared: argparse.ArgumentParser) -> None:
    """Teach the command line to export and import."""
    export = commands.add_parser(
        "export",
        parents=[shared],
        help="write everything into one archive",
        description="Writes photos, labels, register and change log into one ZIP of open formats. "
        "The same content gives the same bytes.",
    )
    export.add_argument("archive", metavar="FILE")
    export.add_argument(
        "--share",
        action="store_true",
        help="for somebody else: without prices, sellers, places, where pieces are kept, what was removed "
        "and the change log",
    )
    export.add_argument("--replace", action="store_true", help="write over a file of that name")
    import_ = commands.add_parser(
        "import", parents=[shared], help="put a whole archive into an empty data folder"
    )
    import_.add_argument("archive", metavar="FILE")


def export(given: argparse.Namespace, settings: Settings) -> int:
    """Write the archive and say what is in it."""
    from service.errors import StoreError
    from service.exchange.whole import export_everything
    from service.store import open_store

    path = Path(given.archive).expanduser()
    if path.exists() and not given.replace:
        raise StoreError(f"{path} exists already: choose another name, or add --replace.")
    store = open_store(settings.data_folder)
    try:
        about = export_everything(store, path, show_progress, given.share)
    finally:
        store.close()
    rows = about["rows"]
    print(
        f"{path}: {about['photos']} photos, {rows['gallery_item']} gallery items, "
        f"{rows['register_record']} register records, {path.stat().st_size / 1e6:.1f} MB."
    )
    if given.share:
        print("Private fields, removed things and the change log were left out. Notes went along: read them.")
    return DONE


def import_(given: argparse.Namespace, settings: Settings) -> int:
    """Verify, put in, and say what came."""
    from service.exchange.archive import Archive
    from service.exchange.whole import check_schema, import_everything
    from service.store import open_store

    with Archive(Path(given.archive).expanduser()) as archive:
        check_schema(archive)  # before a folder is made for it
        store = open_store(settings.data_folder)
        try:
            put = import_everything(store, archive, show_progress)
        finally:
            store.close()
    print(
        f"{settings.data_folder}: {put['photo']} photos, {put['gallery_item']} gallery items, "
        f"{put['register_record']} register records came in."
    )
    return DONE


def show_progress(steps: Iterable[str], total: int, what: str) -> Iterable[str]:
    """A progress bar on standard error."""
    from tqdm import tqdm

    shown: Iterable[str] = tqdm(steps, total=total, desc=what, unit="file", file=sys.stderr)
    return shown
