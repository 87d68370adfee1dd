"""``rimlight register``: the register on the command line. Translates, never thinks; imports are late."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Callable
from contextlib import AbstractContextManager
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from service.actions import Actions
    from service.register.register_actions import Register
    from service.settings import Settings

Opened = Callable[..., AbstractContextManager["Actions"]]
DONE, SOME_FAILED = 0, 1
READS_PHOTOS = ("own", "keep", "mark", "sheet")
LISTS = ("overlaps", "news", "conflicts", "wants", "duplicates", "partners")


class _Mixed(argparse.ArgumentParser):
    """Takes FIELD=VALUE before, between and behind options."""

    _mixing = False

    def parse_known_args(self, args: Any = None, namespace: Any = None) -> Any:
        if self._mixing:
            return super().parse_known_args(args, namespace)
        self._mixing = True
        try:
            return self.parse_known_intermixed_args(args, namespace)
        finally:
            self._mixing = False


def add_register_parser(commands: Any, shared: argparse.ArgumentParser) -> None:
    """Teach the command line ``register`` with all that can be done there."""
    register = commands.add_parser(
        "register", parents=[shared], help="pieces, marks, evidence, opinions: add, find, compare, print"
    )
    what = register.add_subparsers(dest="what", required=True, metavar="WHAT", parser_class=_Mixed)

    def add(name: str, said: str, *places: str, json_too: bool = True) -> argparse.ArgumentParser:
        parser: argparse.ArgumentParser = what.add_parser(name, parents=[shared], help=said)
        for place in places:
            many = {"nargs": "*"} if place.endswith("*") else {"nargs": "?"} if place.endswith("?") else {}
            parser.add_argument(place.rstrip("*?"), metavar=place.rstrip("*?").upper(), **many)  # type: ignore[arg-type]
        if json_too:
            parser.add_argument("--json", action="store_true", help="the answer as JSON")
        return parser

    _add_record_parsers(add)
    _add_piece_parsers(add)
    _add_view_parsers(add)


def _add_record_parsers(add: Callable[..., argparse.ArgumentParser]) -> None:
    new = add("add", "add a record: FIELD=VALUE ...", "kind", "fields*")
    said = "correct fields of a record: FIELD=VALUE ...; FIELD= takes a value away"
    correct = add("correct", said, "kind", "which", "fields*")
    for parser in (new, correct):
        parser.add_argument("--new-names", action="store_true", help="unknown names join the lists")
    add("evidence", 'evidence about a record, as "piece 12": FIELD=VALUE ...', "about", "fields*")
    add("opinion", 'an opinion about a record, as "piece 12": FIELD=VALUE ...', "about", "fields*")
    add("remove", "remove a record; `rimlight undo` brings it back", "kind", "which")
    add("list", "the records of a kind", "kind")
    add("kinds", "every kind of record with its fields")
    show = add("show", "one record with all that hangs on it", "kind", "which")
    find = add("find", "search over everything", "words*")
    find.add_argument("--kind", help="only records of this kind")
    for name in ("motif", "line", "maker", "distributor", "metal", "piece-kind"):
        find.add_argument(f"--{name}", help=f"only pieces of this {name.replace('-', ' ')}")
    for parser in (show, find):
        parser.add_argument("--private", action="store_true", help="with price, seller and place")
    changes = add("changes", "what changed, newest first; of one record: KIND WHICH", "kind?", "which?")
    changes.add_argument("--since", metavar="TIME", help="only later ones, as 2026-01-31")


def _add_piece_parsers(add: Callable[..., argparse.ArgumentParser]) -> None:
    add("own", "do I own this already? a photo, or the id of a reading", "photo")
    said = "register a reading as a new piece: FIELD=VALUE ...; with --joins as a photo of one"
    keep = add("keep", said, "reading", "fields*")
    keep.add_argument("--answer", required=True, help="what `register own` showed as its answer")
    keep.add_argument("--joins", metavar="PIECE", help="number of the piece that the photo shows")
    keep.add_argument("--role", default="rim", help="rim, mark, whole or detail")
    keep.add_argument("--motif", help="confirm the reading as this motif first")
    keep.add_argument("--new-names", action="store_true", help="unknown lines and makers are added")
    add("mark", "the text of a mark in a photo, or a reading's, as a suggestion to correct", "photo")
    for name, said in (("number", "decoration number"), ("date-code", "code of a mark")):
        told = add(name, f"what a {said} tells by the rules written here", "text")
        told.add_argument("--maker")
    add("merges", "pairs that may be one object recorded twice", "which?")
    add("merge", "let the second piece go up in the first", "keep", "drop")
    apart = add("apart", "remember that two pieces are not the same object", "one", "other")
    apart.add_argument("--why")


def _add_view_parsers(add: Callable[..., argparse.ArgumentParser]) -> None:
    for name, said in (
        ("grid", "motif by line by metal: counts, blanks, first and last dates"),
        ("timeline", "when motifs or lines were in use by their dated pieces"),
        ("spread", "how the pieces spread over time"),
    ):
        view = add(name, said)
        view.add_argument("--svg", metavar="FILE", help="draw it into this file")
        if name == "timeline":
            view.add_argument("--by", choices=("motif", "line"), default="motif")
    add("order", "the motifs in order of time, with how sure that is")
    for name in LISTS:
        add(name, _LISTS_SAID[name])
    label = add("label", "an honest sale label of one piece", "which")
    label.add_argument("--html", metavar="FILE", help="write it as a page to print")
    sheet = add("sheet", "a sheet for a talk, as a page to print", "pieces*", json_too=False)
    sheet.add_argument("--title", default="From the register")
    sheet.add_argument("--intro", default="")
    sheet.add_argument("--find", metavar="WORDS", help="the pieces that a search finds")
    sheet.add_argument("--out", metavar="FILE", required=True)


_LISTS_SAID = {
    "overlaps": "motifs that several lines share",
    "news": "what one piece of this register shows and no other here",
    "conflicts": "records that cannot all be right, and questions",
    "wants": "the want list, and how far it is met",
    "duplicates": "owned pieces that cannot be told apart by the register",
    "partners": "lone cups, saucers and lids, with what may go with them",
}


def register(given: argparse.Namespace, settings: Settings, opened: Opened) -> int:
    """Do what is asked; what cannot be is told by the caller of this."""
    with opened(settings, reads=given.what in READS_PHOTOS) as actions:
        from service.register.register_actions import make_register

        desk = make_register(actions)
        if given.what in ("own", "keep", "mark"):
            from service.register.commands_photos import own_or_keep

            return own_or_keep(given, actions, desk)
        return _do(given, desk)


def _do(given: argparse.Namespace, desk: Register) -> int:
    from service.register import commands_text as said

    if given.what == "label":
        label = desk.write_label(given.which)
        if given.html:
            write_page(given.html, label.as_html())
        else:
            print(json.dumps(label.as_json()) if given.json else label.as_text(), end="")
        for remark in label.remarks:
            print(f"rimlight: {remark}", file=sys.stderr)
        return DONE
    if given.what == "sheet":
        write_page(given.out, desk.write_sheet(given.title, given.pieces, given.find, given.intro))
        return DONE
    if given.what in ("grid", "timeline", "spread"):
        return _show_view(given, desk)
    answer = said.ASKED[given.what](desk, given)
    print(json.dumps(answer) if given.json else said.tell(given.what, answer))
    return DONE


def _show_view(given: argparse.Namespace, desk: Register) -> int:
    from service.register.commands_text import tell_table

    if given.svg:
        drawn: dict[str, Callable[[], str]] = {
            "grid": desk.draw_grid,
            "spread": desk.draw_spread,
            "timeline": lambda: desk.draw_timeline(given.by),
        }
        write_page(given.svg, drawn[given.what]())
        return DONE
    if given.what == "grid":
        print(json.dumps(desk.show_grid()) if given.json else tell_table(desk.tabulate_grid()))
    elif given.what == "timeline":
        rows = desk.tabulate_timeline(given.by)
        print(json.dumps(desk.show_timeline(given.by)) if given.json else tell_table(rows))
    else:
        print(json.dumps(desk.show_spread()) if given.json else tell_table(desk.tabulate_spread()))
    return DONE


def write_page(name: str, page: str) -> None:
    """Write a page or picture where the user wants it.

    Raises
    ------
    StoreError
        It cannot be written there.
    """
    from service.errors import StoreError

    try:
        Path(name).write_text(page, encoding="utf-8")
    except OSError as error:
        raise StoreError(f"{name} cannot be written ({error.strerror}): take another place.") from error
    print(f"written: {name}")
