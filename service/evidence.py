"""The evidence of a reading as pictures: the colour line of its trim, and its wear as a dial."""

from __future__ import annotations

from typing import Any

from fastapi import FastAPI
from starlette.responses import Response

from service.actions import Actions
from service.colour_line_svg import draw_colour_line
from service.errors import NotFound
from service.problems import describe_problems
from service.route_types import Id
from service.wear_svg import draw_wear

SVG = "image/svg+xml"
PICTURE: dict[int | str, dict[str, Any]] = {200: {"content": {SVG: {}}}}
MEASURED_SINCE = "Photos read before colours were kept have none: read the photo again."


def add_evidence(app: FastAPI, actions: Actions) -> None:
    """Add the two routes."""

    @app.get(
        "/api/readings/{reading_id}/colour-line.svg",
        responses=describe_problems(404) | PICTURE,
        response_class=Response,
        summary="Colours of trim, glaze and light, as photographed and balanced",
    )
    def show_colour_line(reading_id: Id) -> Response:
        facts = actions.find_reading(reading_id)
        if facts["light"] is None or not facts["trim"].get("colour_line"):
            why = " ".join(facts["trim"]["reasons"]) or "No print was found."
            raise NotFound(f"No colours of a trim were measured in this photo. {why} {MEASURED_SINCE}")
        return _picture(draw_colour_line(facts))

    @app.get(
        "/api/readings/{reading_id}/wear.svg",
        responses=describe_problems(404) | PICTURE,
        response_class=Response,
        summary="How much metal is left, by clock position",
    )
    def show_wear(reading_id: Id) -> Response:
        facts = actions.find_reading(reading_id)
        if not facts["trim"]["sectors"]:
            why = " ".join(facts["trim"]["reasons"]) or "No metal was found."
            raise NotFound(f"How much metal is left was not measured in this photo. {why}")
        return _picture(draw_wear(facts))


def _picture(text: str) -> Response:
    return Response(text, media_type=SVG, headers={"Cache-Control": "private, max-age=86400"})
