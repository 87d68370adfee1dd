"""The page "do I own this?" and, behind its answer, recording a piece with its mark and number."""

from __future__ import annotations

from typing import Annotated

import jinja2
from fastapi import FastAPI, Query
from starlette.responses import HTMLResponse

from service.actions import Actions
from service.caller import current_caller
from service.register.register_actions import Register
from service.same_piece import MOST_PHOTOS
from service.view_owned import owned

# Kinds offered while typing; the register takes any.
PIECE_KINDS = (
    "bread plate",
    "dessert plate",
    "luncheon plate",
    "dinner plate",
    "soup plate",
    "cup",
    "saucer",
    "sugar bowl",
    "creamer",
    "teapot",
    "oval platter",
    "vegetable dish",
    "lid",
)


def add_piece_pages(app: FastAPI, shapes: jinja2.Environment, actions: Actions, register: Register) -> None:
    """Add it."""

    @app.get("/readings/{reading_id}/piece", include_in_schema=False)
    def show_owned(
        reading_id: str, more: Annotated[list[str] | None, Query(alias="with", max_length=MOST_PHOTOS)] = None
    ) -> HTMLResponse:
        more = [actions.find_reading(one)["id"] for one in more or () if one != reading_id]
        facts = actions.find_reading(reading_id)
        values = owned(register.find_owned(reading_id), facts, actions.find_labels(reading_id))
        values |= {"is_owner": current_caller().is_owner, "piece_kinds": PIECE_KINDS, "more": more}
        return HTMLResponse(shapes.get_template("piece.html").render(here="", **values))
