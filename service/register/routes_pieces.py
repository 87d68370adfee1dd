"""Routes about photos and pieces: owned already? register a reading, merge or refuse to."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import Body, FastAPI, Query
from pydantic import BaseModel, ConfigDict, Field
from starlette.responses import JSONResponse, Response

from service.problems import describe_problems
from service.register.register_actions import Register
from service.register.route_parts import Page, Text, make_retry
from service.route_types import Id, Key

Code = Annotated[str, Query(min_length=1, max_length=100)]


class MergeIn(BaseModel):
    """Which piece stays and which goes up in it."""

    model_config = ConfigDict(extra="forbid")
    keep: str = Field(min_length=1, max_length=200, description="number or id of the piece that stays")
    drop: str = Field(min_length=1, max_length=200, description="number or id of the piece that goes")


class RefusalIn(BaseModel):
    """Two pieces that are not the same object."""

    model_config = ConfigDict(extra="forbid")
    one: str = Field(min_length=1, max_length=200, description="number or id of a piece")
    other: str = Field(min_length=1, max_length=200, description="number or id of the other")
    why: str | None = Field(None, max_length=4000)


def add_piece_routes(app: FastAPI, register: Register) -> None:
    """Add them."""

    @app.get(
        "/api/register/owned",
        responses=describe_problems(404, 422),
        summary="Do I own this already? The nearest pieces side by side",
    )
    def find_owned(reading: Annotated[str, Query(max_length=100)]) -> Response:
        return JSONResponse(register.find_owned(reading))

    @app.post(
        "/api/register/readings/{reading_id}/piece",
        status_code=201,
        responses=describe_problems(403, 404, 409, 422),
        summary="Make a confirmed reading a piece, or a photo of one that is there",
    )
    def register_reading(
        reading_id: Id,
        body: Annotated[
            dict[str, Any],
            Body(
                description="`answer` of /api/register/owned; `joins`: a piece's number, or `piece`: fields "
                "of a new one; `decoration` with what is not in the labels; `role`, `new_names`"
            ),
        ],
        key: Key = None,
    ) -> Response:
        retry = make_retry(key, "register", reading_id, body)
        answer = register.register_reading(reading_id, body, retry)
        address = f"/api/register/records/piece/{answer['record']['id']}"
        return JSONResponse(answer, 201, {"Location": address})

    @app.get(
        "/api/register/readings/{reading_id}/mark",
        responses=describe_problems(404, 422),
        summary="The text of a mark in this photo, as a suggestion to correct",
    )
    def suggest_mark(reading_id: Id) -> Response:
        return JSONResponse(register.suggest_mark(reading_id))

    @app.get(
        "/api/register/readings/{reading_id}/news",
        responses=describe_problems(404, 409, 422),
        summary="What a confirmed reading would add to this register, and which wishes it meets",
    )
    def tell_news(reading_id: Id) -> Response:
        return JSONResponse(register.tell_news(reading_id))

    @app.get(
        "/api/register/numbers",
        responses=describe_problems(404, 422),
        summary="What a decoration number tells by the rules written here",
    )
    def read_number(number: Code, maker: Text = None) -> Response:
        return JSONResponse(register.read_number(number, maker))

    @app.get(
        "/api/register/date-codes",
        responses=describe_problems(404, 422),
        summary="What the code of a mark tells by the rules written here",
    )
    def read_date_code(code: Code, maker: Text = None) -> Response:
        return JSONResponse(register.read_date_code(code, maker))

    @app.get(
        "/api/register/merges",
        responses=describe_problems(404, 422),
        summary="Pairs that may be one object recorded twice; nothing is merged",
    )
    def propose_merges(piece: Text = None, page: Page = 1) -> Response:
        return JSONResponse(register.propose_merges(piece, page))

    @app.post(
        "/api/register/merges",
        responses=describe_problems(404, 409, 422),
        summary="Let one piece go up in another; one undo takes it back",
    )
    def merge_pieces(body: MergeIn, key: Key = None) -> Response:
        retry = make_retry(key, "merge", body.keep, body.drop)
        return JSONResponse(register.merge_pieces(body.keep, body.drop, retry))

    @app.post(
        "/api/register/merges/refusals",
        status_code=201,
        responses=describe_problems(404, 422),
        summary="Remember that two pieces are not the same object",
    )
    def refuse_merge(body: RefusalIn, key: Key = None) -> Response:
        retry = make_retry(key, "refuse", body.one, body.other, body.why)
        return JSONResponse(register.refuse_merge(body.one, body.other, body.why, retry), 201)
