"""Pages of one reading: the answer, several photos of one piece read as one, a line in a list."""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated, Any
from urllib.parse import urlencode

from fastapi import FastAPI, Query
from starlette.responses import HTMLResponse

from service import view
from service.actions import Actions
from service.errors import NotFound
from service.same_piece import MOST_PHOTOS, find_same_piece

Facts = dict[str, Any]
Show = Callable[..., HTMLResponse]


def add_reading_pages(app: FastAPI, actions: Actions, show: Show) -> None:
    """Add them; ``show(template, here, **values)`` renders a page."""

    @app.get("/readings/{reading_id}", include_in_schema=False)
    def show_reading(reading_id: str) -> HTMLResponse:
        facts = actions.find_reading(reading_id)
        return show("reading.html", "", together=[], **_gather(actions, facts))

    @app.get("/same-piece", include_in_schema=False)
    def show_same_piece(
        reading: Annotated[list[str], Query(min_length=2, max_length=MOST_PHOTOS)],
    ) -> HTMLResponse:
        facts = find_same_piece(actions, reading)
        together = [view.recent(actions.find_reading(one)) for one in facts["same_piece"]["readings"]]
        more = [one["id"] for one in together if one["id"] != facts["id"]]
        values = _gather(actions, facts) | {"with_query": "?" + urlencode([("with", one) for one in more])}
        return show("reading.html", "", together=together, **values)

    @app.get("/readings/{reading_id}/card", include_in_schema=False)
    def show_card(reading_id: str) -> HTMLResponse:
        return show("reading/card.html", "", **view.recent(actions.find_reading(reading_id)))


def _gather(actions: Actions, facts: Facts) -> Facts:
    """What the page shows, with the gallery photos that come nearest and their own readings."""
    nearest = actions.find_items([c["gallery_id"] for c in facts["candidates"]])
    others = {item_id: found for item_id, item in nearest.items() if (found := _find(actions, item))}
    current = actions.find_labels(facts["id"])
    return view.reading(facts, nearest, others, current) | {"motifs": actions.list_motifs()}


def _find(actions: Actions, item: Facts) -> Facts | None:
    try:
        return actions.find_reading(item["reading_id"])
    except NotFound:
        return None  # a shared gallery may bring photos without their readings
