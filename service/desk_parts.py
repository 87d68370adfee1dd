"""What the desk's pages share: the shapes, the use cases, and whom private things are shown to."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Any
from urllib.parse import quote, urlencode

import jinja2
from fastapi import Query
from starlette.responses import HTMLResponse

from service import desk_words
from service.actions import Actions
from service.caller import current_caller
from service.register.register_actions import Register

Facts = dict[str, Any]
PageNumber = Annotated[int, Query(alias="page", ge=1, le=1_000_000)]
Short = Annotated[str, Query(max_length=200)]


@dataclass(frozen=True)
class Desk:
    """What every page of the desk is made with."""

    shapes: jinja2.Environment
    actions: Actions
    register: Register

    def show(self, name: str, here: str, status: int = 200, **values: object) -> HTMLResponse:
        """One page of the desk; ``here`` is the address that the bar of pages marks."""
        shape = self.shapes.get_template(f"desk/{name}.html")
        return HTMLResponse(shape.render(here=here, is_owner=current_caller().is_owner, **values), status)


def teach_words(shapes: jinja2.Environment) -> None:
    """Let the shapes say kinds, fields, values and addresses."""
    words = (
        "say_kind",
        "say_kinds",
        "say_field",
        "say_hint",
        "say_value",
        "say_choice",
        "say_years",
        "is_long",
    )
    shapes.globals.update({name: getattr(desk_words, name) for name in words})
    shapes.globals.update(record_address=record_address, say_record=say_record, query=make_query)


def record_address(kind: str, record_id: str) -> str:
    """Where a record's page is."""
    return f"/register/records/{kind}/{quote(record_id, safe='')}"


def make_query(**values: Any) -> str:
    """The values that are there as a query, with its question mark; empty where there are none."""
    held = {name: value for name, value in values.items() if value not in (None, "")}
    return f"?{urlencode(held)}" if held else ""


def say_record(record: Facts) -> str:
    """What a record is called in a list: its number, name or first words."""
    if record["record_kind"] == "decoration" and "label" not in record:
        return f"{record.get('motif') or 'decoration'} on {record.get('piece') or 'a piece'}"
    for field in ("label", "number", "name", "prefix", "code", "citation", "what", "transcription"):
        if record.get(field):
            return str(record[field])
    if record["record_kind"] == "want":
        words = (record.get("piece_kind"), record.get("motif"), record.get("variant"), record.get("metal"))
        return " ".join(word for word in words if word) or "anything"
    return desk_words.say_kind(record["record_kind"])


def list_all_names(desk: Desk, kind: str, most: int = 500) -> list[str]:
    """Names of a list for a field to choose from; of a very long list its beginning."""
    names: list[str] = []
    page = 1
    while len(names) < most:
        answer = desk.register.list_records(kind, page)
        names += [say_record(record) for record in answer["items"]]
        page += 1
        if page > answer["pages"]:
            break
    return names
