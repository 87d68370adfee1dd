"""``rimlight export``, ``import`` and ``table``: the edge of taking everything out and in."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, TextIO

from service.progress import show_progress

if TYPE_CHECKING:
    from service.exchange.spreadsheet import RowReport
    from service.settings import Settings

DONE, SOME_FAILED = 0, 1
MOST_TABLE_BYTES = 50_000_000


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
    merge = commands.add_parser(
        "merge",
        parents=[shared],
        help="bring in what a friend's archive has and this gallery has not",
        description="Says what would come in and what a person should look at. With --apply it is done, as "
        "one change that `rimlight undo` takes back. What is here is never written over.",
    )
    merge.add_argument("archive", metavar="FILE")
    merge.add_argument("--apply", action="store_true", help="do it")
    merge.add_argument("--json", action="store_true", help="the report as JSON")
    table = commands.add_parser(
        "table",
        parents=[shared],
        help="the register's pieces as a table for spreadsheets (CSV)",
        description="write: make the table. preview: say of every row what would happen. take-in: put the "
        "new rows in, as one change that `rimlight undo` takes back; what is there is never written over.",
    )
    table.add_argument("what", choices=("write", "preview", "take-in"))
    table.add_argument("file", metavar="FILE")
    table.add_argument("--private", action="store_true", help="write prices, sellers and places too")
    table.add_argument("--replace", action="store_true", help="write over a file of that name")
    table.add_argument("--json", action="store_true", help="one JSON report a row")
    hand_out = commands.add_parser(
        "hand-out",
        parents=[shared],
        help="the register for museums and others: records, or photos that say what they show",
        description="records: all pieces as LIDO 1.1 (XML) or JSON-LD. photos: the pieces' photos with IPTC "
        "fields in them. Nothing private goes along.",
    )
    hand_out.add_argument("what", choices=("records", "photos"))
    hand_out.add_argument("to", metavar="FILE_OR_FOLDER")
    hand_out.add_argument("--form", choices=("lido", "json-ld"), default="lido")
    hand_out.add_argument(
        "--source", default="private collection", help="who keeps the register, as records should name it"
    )
    hand_out.add_argument("--replace", action="store_true", help="write over a file of that name")


def export(given: argparse.Namespace, settings: Settings) -> int:
    """Write the archive and say what is in it."""
    from service.exchange.whole import export_everything
    from service.store import open_store

    path = choose_new(given.archive, given.replace)
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


def merge(given: argparse.Namespace, settings: Settings) -> int:
    """Say what a merge would do, or do it."""
    from service.exchange.archive import Archive
    from service.exchange.merge import merge_archive, preview_merge, say_plan
    from service.store import open_store

    with Archive(Path(given.archive).expanduser()) as archive:
        store = open_store(settings.data_folder)
        try:
            if given.apply:
                plan, change = merge_archive(store, archive, "command line", show_progress)
            else:
                plan, change = preview_merge(store, archive, show_progress), None
        finally:
            store.close()
    print(json.dumps(plan.as_json() | {"change": change}) if given.json else "\n".join(say_plan(plan)))
    if change is not None:
        print(f"Done as change {change}; `rimlight undo` takes it back.", file=sys.stderr)
    elif not given.apply:
        print("Nothing was changed. Do it with --apply.", file=sys.stderr)
    return DONE


def table(given: argparse.Namespace, settings: Settings) -> int:
    """Write the table, or read one and report row by row."""
    from service.exchange.spreadsheet import NEW, REFUSED, preview_table, take_in_table, write_table
    from service.store import open_store

    store = open_store(settings.data_folder)
    try:
        if given.what == "write":
            path = choose_new(given.file, given.replace)
            print(f"{path}: {_write_whole(path, lambda out: write_table(store, out, given.private))} rows.")
            return DONE
        data = read_whole(given.file)
        if given.what == "preview":
            reports, change = preview_table(store, data), None
        else:
            reports, change = take_in_table(store, "command line", data)
    finally:
        store.close()
    _say_reports(reports, given.json)
    came = f"; they came in as change {change}." if change else "."
    print(f"{sum(r.verdict == NEW for r in reports)} of {len(reports)} rows are new{came}", file=sys.stderr)
    return SOME_FAILED if any(report.verdict == REFUSED for report in reports) else DONE


def hand_out(given: argparse.Namespace, settings: Settings) -> int:
    """Write records or photos for others."""
    from service.exchange.handing_out import write_photos, write_records
    from service.store import open_store

    store = open_store(settings.data_folder)
    try:
        if given.what == "records":
            path = choose_new(given.to, given.replace)
            print(f"{path}: {write_records(store, path, given.form, given.source) / 1e3:.0f} kB.")
            return DONE
        folder = Path(given.to).expanduser()
        written, plain = write_photos(store, folder, given.source, show_progress)
        without = f" {plain} of them without fields: their kind of file takes none here." if plain else ""
        print(f"{folder}: {written} photos.{without}")
        return DONE
    finally:
        store.close()


def _write_whole(path: Path, write: Callable[[TextIO], int]) -> int:
    """Write a table under another name first, so that a file of that name is never half a table."""
    from service.errors import StoreError

    part = path.with_name(path.name + ".part")
    try:
        with part.open("w", encoding="utf-8", newline="") as out:
            count = write(out)
        part.replace(path)
    except OSError as error:
        raise StoreError(f"{path} cannot be written ({error.strerror}): choose another place.") from error
    finally:
        part.unlink(missing_ok=True)
    return count


def _say_reports(reports: list[RowReport], as_json: bool) -> None:
    for report in reports:
        why = f" ({'; '.join(report.reasons)})" if report.reasons else ""
        plain = f"line {report.line}  {report.number or '?'}: {report.verdict}{why}"
        print(json.dumps(report.as_json()) if as_json else plain)


def choose_new(name: str, replace: bool) -> Path:
    """The path of a file to be written.

    Raises
    ------
    StoreError
        There is one of that name, and it should stay.
    """
    from service.errors import StoreError

    path = Path(name).expanduser()
    if path.exists() and not replace:
        raise StoreError(f"{path} exists already: choose another name, or add --replace.")
    return path


def read_whole(name: str) -> bytes:
    """A file's bytes.

    Raises
    ------
    StoreError
        It cannot be read, or is far too long for a table.
    """
    from service.errors import StoreError

    path = Path(name).expanduser()
    try:
        if path.stat().st_size > MOST_TABLE_BYTES:
            raise StoreError(f"{path} is longer than {MOST_TABLE_BYTES // 10**6} MB: split it.")
        return path.read_bytes()
    except OSError as error:
        raise StoreError(f"{path} cannot be read ({error.strerror}).") from error
