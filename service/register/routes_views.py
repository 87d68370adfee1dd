"""Routes that show the whole register: grid, overlaps, news, conflicts, order in time."""

from __future__ import annotations

from typing import Annotated

from fastapi import FastAPI, Query
from starlette.responses import JSONResponse, Response

from service.problems import describe_problems
from service.register.route_parts import Page, Text
from service.register.view_actions import Register


def add_view_routes(app: FastAPI, register: Register) -> None:
    """Add them."""
    _add_lists(app, register)

    @app.get("/api/register/grid", summary="Motif by line by metal: counts, blanks, first and last dates")
    def show_grid() -> Response:
        return JSONResponse(register.show_grid())

    @app.get("/api/register/order", summary="The motifs in order of time, with how sure that is")
    def show_order() -> Response:
        return JSONResponse(register.show_order())

    @app.get(
        "/api/register/spread",
        responses=describe_problems(422),
        summary="How the pieces spread over time, each over its own years",
    )
    def show_spread(step_years: Annotated[int, Query(ge=1, le=100)] = 5) -> Response:
        return JSONResponse(register.show_spread(step_years))


def _add_lists(app: FastAPI, register: Register) -> None:
    @app.get(
        "/api/register/overlaps",
        responses=describe_problems(422),
        summary="Motifs that several lines share, gold here and platinum there",
    )
    def list_overlaps(page: Page = 1) -> Response:
        return JSONResponse(register.list_overlaps(page))

    @app.get(
        "/api/register/news",
        responses=describe_problems(422),
        summary="What only one piece of this register shows",
    )
    def list_news(page: Page = 1) -> Response:
        return JSONResponse(register.list_news(page))

    @app.get(
        "/api/register/conflicts",
        responses=describe_problems(422),
        summary="Records that cannot all be right, each with what would settle it",
    )
    def list_conflicts(weight: Text = None, kind: Text = None, page: Page = 1) -> Response:
        return JSONResponse(register.list_conflicts(page, weight, kind))
