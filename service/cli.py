"""The command line: translates, never thinks. Imports are late so that every command starts fast."""

from __future__ import annotations

import argparse
import json
import os
import sys
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from service.actions import Actions
    from service.settings import Settings

DONE, SOME_FAILED, WRONG_USE = 0, 1, 2
PHOTO_SUFFIXES = {".jpg", ".jpeg", ".png", ".webp", ".jfif", ".heic", ".heif"}


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command; returns the exit code."""
    from service.settings import find_settings

    given = make_parser().parse_args(arguments)
    settings = find_settings(getattr(given, "data", None), getattr(given, "empty", False), os.environ)
    from service.backup.commands import backup, restore
    from service.certificate_command import certificate
    from service.check_commands import check
    from service.device_commands import devices
    from service.errors import ServiceError
    from service.exchange.commands import export, hand_out, import_, merge, table
    from service.own_model_commands import model
    from service.register.commands import register
    from service.register.demo_command import demo
    from service.serve_command import serve

    commands: dict[str, Callable[[argparse.Namespace, Settings], int]] = {
        "read": read,
        "add": add,
        "gallery": gallery,
        "undo": undo,
        "serve": lambda given, settings: serve(given, settings, _opened),
        "devices": devices,
        "certificate": certificate,
        "check": check,
        "export": export,
        "backup": backup,
        "restore": restore,
        "import": import_,
        "demo": lambda given, settings: demo(given, settings, _opened),
        "register": lambda given, settings: register(given, settings, _opened),
        "table": table,
        "hand-out": hand_out,
        "merge": merge,
        "model": lambda given, settings: model(given, settings, _opened),
    }

    try:
        return commands[given.command](given, settings)
    except ServiceError as error:
        print(f"rimlight: {error}", file=sys.stderr)
        return WRONG_USE
    except KeyboardInterrupt:
        return 130
    except BrokenPipeError:  # the reader of a pipe went away, as `head` does
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return DONE


def make_parser() -> argparse.ArgumentParser:
    """All commands and options; ``--data`` and ``--empty`` may stand before or after the command."""
    from service.backup.commands import add_backup_parsers
    from service.certificate_command import add_certificate_parser
    from service.check_commands import add_check_parser
    from service.device_commands import add_devices_parser
    from service.exchange.commands import add_exchange_parsers
    from service.own_model_commands import add_model_parser
    from service.register.commands import add_register_parser
    from service.register.demo_command import add_demo_parser
    from service.serve_command import add_serve_parser

    shared = argparse.ArgumentParser(add_help=False, argument_default=argparse.SUPPRESS)
    shared.add_argument("--data", metavar="DIR", help="where the gallery lives (or RIMLIGHT_DATA)")
    shared.add_argument("--empty", action="store_true", help="a new folder starts without the demo gallery")
    parser = argparse.ArgumentParser(
        prog="rimlight",
        parents=[shared],
        description="Reads the decorated rim of tableware from photos. A visual opinion, not an assay.",
    )
    commands = parser.add_subparsers(dest="command", required=True, metavar="COMMAND")
    read_ = commands.add_parser("read", parents=[shared], help="read photos, or folders of photos")
    read_.add_argument("photos", nargs="+", metavar="PHOTO", help="photo or folder")
    read_.add_argument("--json", action="store_true", help="one JSON reading a line")
    read_.add_argument(
        "--same-piece", action="store_true", help="all photos show one piece: answer from them together"
    )
    read_.add_argument("--neutral", metavar="X,Y", help="a point that is neutral white or grey")
    read_.add_argument("--trace", metavar="X,Y;X,Y...", help="a line drawn along the border")
    read_.add_argument(
        "--diameter-mm", metavar="MM", type=float, help="the lip's diameter, as you measured it"
    )
    _add_workers(read_)
    add_ = commands.add_parser("add", parents=[shared], help="add a labelled photo to the gallery")
    add_.add_argument("photo", metavar="PHOTO")
    add_.add_argument("--motif", required=True)
    for name in ("variant", "maker", "line", "decoration-number", "piece", "note"):
        add_.add_argument(f"--{name}")
    add_.add_argument("--metal", help="gold or platinum")
    add_.add_argument("--state", help="sound or worn")
    add_.add_argument("--json", action="store_true", help="the gallery item as JSON")
    gallery_ = commands.add_parser("gallery", parents=[shared], help="list the gallery")
    gallery_.add_argument("--motif")
    gallery_.add_argument("--metal")
    gallery_.add_argument("--doubts", action="store_true", help="photos that look like another motif")
    gallery_.add_argument("--json", action="store_true", help="one JSON item a line")
    undo_ = commands.add_parser("undo", parents=[shared], help="undo the last change, or the one named")
    undo_.add_argument("change", nargs="?", metavar="CHANGE")
    _add_workers(add_serve_parser(commands, shared))
    add_devices_parser(commands, shared)
    add_certificate_parser(commands, shared)
    add_check_parser(commands, shared)
    add_exchange_parsers(commands, shared)
    add_backup_parsers(commands, shared)
    add_register_parser(commands, shared)
    add_demo_parser(commands, shared)
    add_model_parser(commands, shared)
    return parser


def _add_workers(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--workers",
        type=_worker_count,
        metavar="N",
        help="photos read at once; default: one a core, as far as memory allows",
    )


def _worker_count(text: str) -> int:
    count = int(text)
    if not 1 <= count <= 32:
        raise argparse.ArgumentTypeError("between 1 and 32 photos at once")
    return count


@contextmanager
def _opened(settings: Settings, reads: bool = True, workers: int | None = None) -> Iterator[Actions]:
    """The gallery, filled if new; with ``reads`` fit for today's network, a worker starting meanwhile."""
    from service.workers import Workers

    worker = Workers(workers)
    if reads:
        worker.start()  # its imports run while this process does its own
    try:
        from service.actions import Actions
        from service.demo_gallery import fill_new_gallery, refresh_stale_vectors
        from service.store import open_store

        store = open_store(settings.data_folder)
        try:
            actions = Actions(store, worker, "command line")
            fill_new_gallery(actions, settings.empty, _show_progress)
            if reads:
                refresh_stale_vectors(actions, _show_progress)
                problem = worker.wait_ready().problem
                if problem is not None:
                    print(f"rimlight: motifs cannot be matched: {problem}", file=sys.stderr)
            yield actions
        finally:
            store.close()
    finally:
        worker.close()


def _show_progress(steps: list[str], what: str) -> Iterable[str]:
    from tqdm import tqdm

    steps_shown: Iterable[str] = tqdm(steps, desc=what, unit="photo", file=sys.stderr)
    return steps_shown


def list_photos(paths: Sequence[str]) -> tuple[list[Path], bool]:
    """The photos named, those of a folder in order of name, and whether a folder was among them."""
    photos: list[Path] = []
    any_folder = False
    for path in map(Path, paths):
        if path.is_dir():
            any_folder = True
            inside = (p for p in path.rglob("*") if p.suffix.lower() in PHOTO_SUFFIXES and p.is_file())
            photos += sorted(inside)
        else:
            photos.append(path)
    return photos, any_folder


def read(given: argparse.Namespace, settings: Settings) -> int:
    """Print what each photo shows; a photo that fails is named and the others are still read."""
    if (wrong := _wrong_hint(given)) is not None:
        print(f"rimlight: {wrong}", file=sys.stderr)
        return WRONG_USE
    photos, any_folder = list_photos(given.photos)
    if not photos:
        print(f"rimlight: no photos in {', '.join(given.photos)}", file=sys.stderr)
        return SOME_FAILED
    failed, names = 0, [str(photo) for photo in photos]
    with _opened(settings, workers=given.workers) as actions:
        if given.same_piece:
            from service.same_piece_command import read_same_piece

            return read_same_piece(actions, names, given.json, _show_progress, given.diameter_mm)
        from service.folder import read_in_order

        results = read_in_order(actions, names, given.neutral, given.trace, given.diameter_mm)
        shown = _show_progress(names, "reading") if any_folder else names
        for name, found in zip(shown, results, strict=False):  # the bar moves when its photo is told
            failed += not _tell_reading(name, found, given.json)
    if not given.json and failed < len(photos):
        print("\nA visual opinion from a photo: not an assay, an authentication or an appraisal. Gold and")
        print("platinum verdicts are unverified on real photos. `--json` gives every fact and caution.")
    return SOME_FAILED if failed else DONE


def _wrong_hint(given: argparse.Namespace) -> str | None:
    """What is wrong with the hints, alone or with ``--same-piece``, before any photo is read."""
    if given.same_piece and (given.neutral is not None or given.trace is not None):
        return "--neutral and --trace belong to one photo: leave them out with --same-piece."
    from model.errors import HintError
    from model.hints import check_diameter, parse_neutral, parse_trace

    try:
        check_diameter(given.diameter_mm)
        if given.neutral is not None:
            parse_neutral(given.neutral)
        if given.trace is not None:
            parse_trace(given.trace)
    except HintError as error:
        return str(error)
    return None


def _tell_reading(name: str, found: dict[str, Any] | Exception, as_json: bool) -> bool:
    """Print a photo's facts, or on stderr why there are none."""
    from service.report import describe_reading

    if isinstance(found, Exception):
        print(f"{name}: {_reason(found)}", file=sys.stderr)
        return False
    print(json.dumps(found | {"file": name}) if as_json else describe_reading(name, found), flush=True)
    return True


def _reason(error: Exception) -> str:
    return (error.strerror or "cannot be opened") if isinstance(error, OSError) else str(error)


def add(given: argparse.Namespace, settings: Settings) -> int:
    """Add one labelled photo."""
    from model.errors import RimlightError
    from service.errors import ServiceError
    from service.folder import load_photo
    from service.labels import LABEL_NAMES, check_labels
    from service.report import describe_item

    labels = check_labels({name: getattr(given, name) for name in LABEL_NAMES})
    with _opened(settings) as actions:
        try:
            item = actions.add_photo(load_photo(given.photo), labels)
        except ServiceError:
            raise
        except (RimlightError, OSError) as error:
            print(f"{given.photo}: {_reason(error)}", file=sys.stderr)
            return SOME_FAILED
    print(json.dumps(item) if given.json else f"added  {describe_item(item)}")
    return DONE


def gallery(given: argparse.Namespace, settings: Settings) -> int:
    """List the gallery."""
    from service.report import describe_item

    with _opened(settings, reads=False) as actions:
        if given.doubts:
            return _tell_doubts(actions, given.json)
        page, pages = 1, 1
        while page <= pages:
            answer = actions.list_gallery(given.motif, given.metal, page)
            for item in answer["items"]:
                print(json.dumps(item) if given.json else describe_item(item))
            page, pages = page + 1, answer["pages"]
    return DONE


def _tell_doubts(actions: Actions, as_json: bool) -> int:
    found = actions.list_doubts()
    for doubt in found["doubts"]:
        print(json.dumps(doubt) if as_json else f"{doubt['item']['id']}  {doubt['text']}")
    if not as_json:
        print(f"{len(found['doubts'])} of {found['judged']} photos that could be judged are in doubt.")
    return DONE


def undo(given: argparse.Namespace, settings: Settings) -> int:
    """Undo a change."""
    from service.report import describe_item

    with _opened(settings, reads=False) as actions:
        answer = actions.undo_change(given.change)
    if answer["item"] is None:
        print(f"undone: {answer['undone']['action']}; put back: {len(answer['records'])} register record(s)")
        return DONE
    state = "in the gallery" if answer["in_gallery"] else "no longer in the gallery"
    print(f"undone: {answer['undone']['action']}; {state}: {describe_item(answer['item'])}")
    return DONE


if __name__ == "__main__":
    sys.exit(main())
