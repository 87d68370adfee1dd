"""The print of a photo laid on a gallery photo's: a picture of what agrees and differs, with figures."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import sqlalchemy as sa
from fastapi import FastAPI
from pydantic import BaseModel, Field
from starlette.responses import JSONResponse, Response

from service import items, tables
from service.actions import Actions
from service.errors import NotFound
from service.problems import describe_problems
from service.route_types import Id

if TYPE_CHECKING:
    from model.print_map import PrintMap
    from model.recheck import Overlap

# The print is compared 48 rows high; on a phone it is shown this many times larger.
ENLARGED = 4


class OverlapFacts(BaseModel):
    """How the two prints lie on each other."""

    likeness: float = Field(description="correlation of the two prints where they were laid on, -1 to 1")
    lie: str = Field(description="how the photo's print lies: as it is, mirrored, turned or upside down")
    height_ratio: float = Field(description="height of the gallery photo's print over this one's")
    length_ratio: float = Field(description="its length over its height, beside this one's: spacing")
    picture: str = Field(description="address of the picture: black both, blue only this, red only the other")


def add_overlap(app: FastAPI, actions: Actions) -> None:
    """Add the routes: on a gallery photo, and on any other reading."""
    address = "/api/readings/{reading_id}/overlap/{gallery_id}"

    @app.get(
        address + ".png",
        responses=describe_problems(404, 503) | {200: {"content": {"image/png": {}}}},
        response_class=Response,
        summary="This photo's print laid on a gallery photo's",
    )
    def show_overlap(reading_id: Id, gallery_id: Id) -> Response:
        return Response(_draw(find_overlap(actions, reading_id, gallery_id)), media_type="image/png")

    @app.get(
        address,
        response_model=OverlapFacts,
        responses=describe_problems(404, 503),
        summary="How well this photo's print agrees with a gallery photo's",
    )
    def tell_overlap(reading_id: Id, gallery_id: Id) -> JSONResponse:
        overlap = find_overlap(actions, reading_id, gallery_id)
        picture = address.format(reading_id=reading_id, gallery_id=gallery_id) + ".png"
        return JSONResponse(describe_overlap(overlap) | {"picture": picture})

    _add_overlap_of_readings(app, actions)


def _add_overlap_of_readings(app: FastAPI, actions: Actions) -> None:
    address = "/api/readings/{reading_id}/overlap-with/{other_id}"

    @app.get(
        address + ".png",
        responses=describe_problems(404, 503) | {200: {"content": {"image/png": {}}}},
        response_class=Response,
        summary="This photo's print laid on that of another reading",
    )
    def show_overlap_with(reading_id: Id, other_id: Id) -> Response:
        return Response(_draw(lay_readings(actions, reading_id, other_id)), media_type="image/png")

    @app.get(
        address,
        response_model=OverlapFacts,
        responses=describe_problems(404, 503),
        summary="How well this photo's print agrees with that of another reading",
    )
    def tell_overlap_with(reading_id: Id, other_id: Id) -> JSONResponse:
        overlap = lay_readings(actions, reading_id, other_id)
        picture = address.format(reading_id=reading_id, other_id=other_id) + ".png"
        return JSONResponse(describe_overlap(overlap) | {"picture": picture})


def find_overlap(actions: Actions, reading_id: str, gallery_id: str) -> Overlap:
    """Lay the photo's print on the gallery photo's.

    Raises
    ------
    NotFound
        There is no such reading or gallery photo, or one of them shows no border.
    """
    with actions.store.looking() as tx:
        item = items.find_item(tx, gallery_id)
    if item is None or item.removed_at is not None:
        raise NotFound(f"There is no gallery photo {gallery_id}.")
    return lay_readings(actions, reading_id, item.reading_id, "the gallery photo")


def lay_readings(actions: Actions, reading_id: str, other_id: str, whose: str = "the other photo") -> Overlap:
    """Lay one reading's print on another's.

    Raises
    ------
    NotFound
        There is no such reading, or one of them shows no border.
    """
    from model.recheck import lay_on, prepare_query  # here: the command starts without it

    query = prepare_query(_find_print(actions, reading_id, "this photo"))
    if query is None:
        raise NotFound("Nothing printed was found in this photo's border.")
    return lay_on(query, _find_print(actions, other_id, whose))


def _find_print(actions: Actions, reading_id: str, whose: str) -> PrintMap:
    """The print of a reading, cut from its stored strip where its windows lay."""
    import cv2
    import numpy as np

    from model.print_map import cut_print_map_of_picture

    strip_png = actions.find_strip(reading_id)
    vector = tables.vector
    wanted = sa.select(sa.func.min(vector.c.y0), sa.func.max(vector.c.y1))
    with actions.store.looking() as tx:
        first, last = tx.execute(wanted.where(vector.c.reading_id == reading_id)).one()
    strip = cv2.imdecode(np.frombuffer(strip_png, np.uint8), cv2.IMREAD_COLOR)
    if first is None or strip is None:
        raise NotFound(f"No border was found in {whose}, so there is nothing to lay on.")
    found = cut_print_map_of_picture(np.asarray(strip[..., ::-1], np.uint8), (first, last))
    if found is None:
        raise NotFound(f"The border of {whose} is too short to lay on.")
    return found


def describe_overlap(overlap: Overlap) -> dict[str, Any]:
    """Its figures as plain values."""
    return {
        "likeness": round(overlap.refined, 4),
        "lie": overlap.lie,
        "height_ratio": round(overlap.scale, 4),
        "length_ratio": round(overlap.stretch, 4),
    }


def _draw(overlap: Overlap) -> bytes:
    import cv2

    from model.recheck import draw_overlap

    picture = draw_overlap(overlap)[..., ::-1]
    large = cv2.resize(picture, None, fx=ENLARGED, fy=ENLARGED, interpolation=cv2.INTER_CUBIC)
    return cv2.imencode(".png", large)[1].tobytes()
