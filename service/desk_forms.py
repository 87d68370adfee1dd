"""One form for every kind of record, made from the records themselves: to add one, or to correct it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from fastapi import FastAPI, Request
from starlette.responses import HTMLResponse

from service.caller import current_caller
from service.desk_parts import Desk, Facts, list_all_names, make_query, record_address, say_record
from service.desk_words import KIND_WORDS, say_kind
from service.errors import NotFound
from service.register.described import describe_kinds
from service.register.records import KINDS
from service.register.search import name_ids

LISTED = ("maker", "line", "distributor", "motif")
# Fields that stand in the form by other means: what a record is about, whose it is.
ABOUT = ("about_kind", "about_id")
# Kinds that need no second field to be found by name; a new piece may bring these with it.
BROUGHT = {"decorations": "decoration", "marks": "mark"}


def add_form_pages(app: FastAPI, desk: Desk) -> None:
    """Add the page of a new record of any kind, and that of correcting one."""

    @app.get("/register/new/{kind}", include_in_schema=False)
    def show_new(kind: str, request: Request) -> HTMLResponse:
        _require_kind(kind)
        given = {name: value for name, value in request.query_params.items() if value}
        return _show_form(desk, kind, None, _fill_in(desk, kind, given))

    @app.get("/register/edit/{kind}/{which:path}", include_in_schema=False)
    def show_edit(kind: str, which: str) -> HTMLResponse:
        _require_kind(kind)
        record = desk.register.show_record(kind, which, current_caller().is_owner)
        return _show_form(desk, kind, record["id"], _name_values(desk, kind, record))


def _require_kind(kind: str) -> None:
    if kind not in KINDS:
        raise NotFound(f"There is no kind of record {kind[:40]!r}: there are {', '.join(KINDS)}.")


def _show_form(desk: Desk, kind: str, record_id: str | None, values: Facts) -> HTMLResponse:
    fields = list_fields(kind, record_id is None, current_caller().is_owner)
    about = _describe_about(desk, values)
    evidence = _list_evidence(desk, values) if kind == "opinion" else []
    back = record_address(kind, record_id) if record_id else f"/register{make_query(kind=kind)}"
    if record_id is None and values.get("piece_id"):
        back = record_address("piece", values["piece_id"])
    if about and record_id is None:
        back = about["address"]
    return desk.show(
        "form",
        "/register",
        kind=kind,
        record_id=record_id,
        fields=fields,
        values=values,
        about=about,
        evidence=evidence,
        photos=_list_photos(desk, kind, values),
        names={name: list_all_names(desk, name) for name in LISTED if _points_to(fields, name)},
        kinds=KIND_WORDS,
        back=back,
        title=f"Correct this {say_kind(kind)}" if record_id else f"New {say_kind(kind)}",
    )


def list_fields(kind: str, is_new: bool, is_owner: bool) -> dict[str, Facts]:
    """The fields that the form shows, each as ``describe_kinds`` tells it."""
    kinds = describe_kinds()
    fields = {name: told for name, told in kinds[kind].items() if name not in ABOUT}
    if kind == "piece":
        fields.pop("photos")  # photos come and go on the piece's own page
        if not is_owner:
            fields.pop("private")
        if is_new:
            for name, brought in BROUGHT.items():
                inner = {
                    n: t for n, t in kinds[brought].items() if n not in ("piece_id", "reading_id", "lines")
                }
                fields[name] = {"type": "list", "of": {"type": "fields", "fields": inner}, "required": False}
    return fields


def _points_to(fields: Mapping[str, Facts], name: str) -> bool:
    inner = (told["of"].get("fields", {}) for told in fields.values() if told["type"] == "list")
    return any(t.get("names") == name for group in (fields, *inner) for t in group.values())


def _fill_in(desk: Desk, kind: str, given: Mapping[str, str]) -> Facts:
    """What the address already says of a new record, with names in place of ids."""
    known = describe_kinds()[kind]
    values = {name: value for name, value in given.items() if name in known}
    return _name_values(desk, kind, values)


def _name_values(desk: Desk, kind: str, record: Mapping[str, Any]) -> Facts:
    """The record's values as the form shows them: names of what it points to."""
    fields = describe_kinds()[kind]
    pointing = [name for name, told in fields.items() if "names" in told]
    ids = [i for name in pointing for i in _as_list(record.get(name))]
    with desk.register.store.looking() as tx:
        names = name_ids(tx, ids)
    values = {name: record.get(name) for name in fields}
    for name in pointing:
        held = [names.get(i, i) for i in _as_list(record.get(name))]
        values[name] = held if fields[name]["type"] == "list" else (held[0] if held else None)
    return values


def _as_list(value: Any) -> list[str]:
    return [value] if isinstance(value, str) else list(value or ())


def _describe_about(desk: Desk, values: Mapping[str, Any]) -> Facts | None:
    """What evidence or an opinion is about, as a heading."""
    kind, record_id = values.get("about_kind"), values.get("about_id")
    if not kind or not record_id or kind not in KINDS:
        return None
    record = desk.register.show_record(str(kind), str(record_id))
    shown = ("piece", record["piece_id"]) if record.get("piece_id") else (str(kind), record["id"])
    return {"kind": kind, "id": record["id"], "called": say_record(record), "address": record_address(*shown)}


def _list_evidence(desk: Desk, values: Mapping[str, Any]) -> list[Facts]:
    """Evidence that an opinion may rest on: all about the same record, or on its piece."""
    kind, record_id = values.get("about_kind"), values.get("about_id")
    if not kind or not record_id:
        return []
    record = desk.register.show_record(str(kind), str(record_id))
    if record.get("piece_id"):
        record = desk.register.show_record("piece", record["piece_id"])
    found: list[Facts] = record["evidence"] if "evidence" in record else record["said_about"]
    return [entry for entry in found if entry["record_kind"] == "evidence"]


def _list_photos(desk: Desk, kind: str, values: Mapping[str, Any]) -> list[Facts]:
    """Photos of the piece that a decoration or a mark is on, to say which shows it."""
    if kind not in ("decoration", "mark") or not values.get("piece_id"):
        return []
    photos: list[Facts] = desk.register.show_record("piece", values["piece_id"])["photos"]
    return photos
