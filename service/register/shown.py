"""Records as both edges show them: all fields, with the names behind the ids."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import sqlalchemy as sa

from service.register.forms import Body, full_json
from service.register.records import Record
from service.register.search import name_ids

POINTING = ("maker_id", "line_id", "distributor_id", "motif_id", "piece_id")


def show_record(tx: sa.Connection, record: Record, with_private: bool = False) -> Body:
    """One record in full; ``motif`` stands beside ``motif_id`` and so on."""
    return show_records(tx, [record], with_private)[0]


def show_records(tx: sa.Connection, records: Iterable[Record], with_private: bool = False) -> list[Body]:
    """Records in full, their names looked up together."""
    bodies = [full_json(record, with_private) for record in records]
    names = name_ids(tx, (body.get(field) for body in bodies for field in POINTING))
    return [_with_names(body, names) for body in bodies]


def _with_names(body: Body, names: dict[str | None, str]) -> Body:
    named = {field.removesuffix("_id"): names.get(body[field]) for field in POINTING if field in body}
    pictures = [show_pictures(photo["reading_id"]) | photo for photo in body.get("photos", ())]
    return body | named | ({"photos": pictures} if "photos" in body else {})


def show_pictures(reading_id: str) -> dict[str, Any]:
    """Where the pictures of a reading are."""
    base = f"/api/readings/{reading_id}"
    return {
        "thumbnail": f"{base}/photo.jpg?size=thumbnail",
        "photo": f"{base}/photo.jpg",
        "strip": f"{base}/strip.png",
    }
