"""Routes that show the whole register: pictures, tables and lists, a sale label and a sheet for a talk."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Annotated, Any, Literal

from fastapi import FastAPI, Query
from starlette.responses import JSONResponse, Response

from service.problems import describe_problems
from service.register.register_actions import Register
from service.register.route_parts import Page, Text, Which

By = Annotated[Literal["motif", "line"], Query(description="what a row is")]
Step = Annotated[int, Query(ge=1, le=100, description="years in one bin")]
SVG: dict[int | str, Any] = {200: {"content": {"image/svg+xml": {}}}}
HTML: dict[int | str, Any] = {200: {"content": {"text/html": {}}}}


def add_view_routes(app: FastAPI, register: Register) -> None:
    """Add them."""
    _add_lists(app, register)
    _add_pictures(app, register)
    _add_prints(app, register)

    @app.get(
        "/api/register/conflicts",
        responses=describe_problems(422),
        summary="Records that cannot all be right, and questions, each with what would settle it",
    )
    def list_conflicts(
        weight: Annotated[Literal["conflict", "question"] | None, Query()] = None,
        kind: Text = None,
        record: Annotated[str | None, Query(max_length=200, description="only those of this id")] = None,
        page: Page = 1,
    ) -> Response:
        return JSONResponse(register.list_conflicts(page, weight, kind, record))


def _add_lists(app: FastAPI, register: Register) -> None:
    lists: dict[str, tuple[Callable[[int], Any], str]] = {
        "overlaps": (register.list_overlaps, "Motifs that several lines share, gold here and platinum there"),
        "news": (register.list_news, "What one piece of this register shows and no other here"),
        "wants": (register.list_wants, "The want list, and how far each wish is met"),
        "duplicates": (register.list_duplicates, "Owned pieces that the register cannot tell apart"),
        "partners": (register.list_partners, "Lone cups, saucers and lids, with what may go with them"),
    }
    for name, (find, said) in lists.items():
        _add_list(app, name, find, said)


def _add_list(app: FastAPI, name: str, find: Callable[[int], Any], said: str) -> None:
    @app.get(
        f"/api/register/{name}", responses=describe_problems(422), summary=said, operation_id=f"list_{name}"
    )
    def list_found(page: Page = 1) -> Response:
        return JSONResponse(find(page))


def _add_pictures(app: FastAPI, register: Register) -> None:
    @app.get("/api/register/grid", summary="Motif by line by metal: counts, blanks, first and last dates")
    def show_grid() -> Response:
        return JSONResponse(register.show_grid() | {"table": register.tabulate_grid()})

    @app.get("/api/register/grid.svg", responses=SVG, response_class=Response, summary="The grid drawn")
    def draw_grid() -> Response:
        return _svg(register.draw_grid())

    @app.get(
        "/api/register/timeline",
        responses=describe_problems(422),
        summary="When motifs or lines were in use by their dated pieces",
    )
    def show_timeline(by: By = "motif") -> Response:
        return JSONResponse(register.show_timeline(by) | {"table": register.tabulate_timeline(by)})

    @app.get(
        "/api/register/timeline.svg",
        responses=describe_problems(422) | SVG,
        response_class=Response,
        summary="The timeline drawn",
    )
    def draw_timeline(by: By = "motif") -> Response:
        return _svg(register.draw_timeline(by))

    @app.get("/api/register/order", summary="The motifs in order of time, with how sure that is")
    def show_order() -> Response:
        return JSONResponse(register.show_order())

    @app.get(
        "/api/register/spread",
        responses=describe_problems(422),
        summary="How the pieces spread over time, each over its own years",
    )
    def show_spread(step_years: Step = 5) -> Response:
        return JSONResponse(register.show_spread(step_years))

    @app.get(
        "/api/register/spread.svg",
        responses=describe_problems(422) | SVG,
        response_class=Response,
        summary="The spread drawn",
    )
    def draw_spread(step_years: Step = 5) -> Response:
        return _svg(register.draw_spread(step_years))


def _add_prints(app: FastAPI, register: Register) -> None:
    @app.get(
        "/api/register/labels/{which:path}",
        responses=describe_problems(404, 422) | HTML,
        summary="An honest sale label of one piece",
    )
    def write_label(
        which: Which, form: Annotated[Literal["json", "html", "text"], Query()] = "json"
    ) -> Response:
        label = register.write_label(which)
        if form == "html":
            return _page_to_print(label.as_html(), "label")
        text = form == "text"
        return Response(label.as_text(), media_type="text/plain") if text else JSONResponse(label.as_json())

    @app.get(
        "/api/register/sheet",
        responses=describe_problems(404, 422) | HTML,
        response_class=Response,
        summary="A sheet for a talk: strips side by side by motif, with sources",
    )
    def write_sheet(
        title: Annotated[str, Query(max_length=200)] = "From the register",
        pieces: Annotated[str, Query(max_length=4000, description="numbers, with commas between")] = "",
        q: Annotated[str | None, Query(max_length=200, description="or what a search finds")] = None,
        intro: Annotated[str, Query(max_length=2000)] = "",
        drawings: Annotated[bool, Query(description="with the timeline")] = True,
    ) -> Response:
        named = [part.strip() for part in re.split(r"[,\n]", pieces) if part.strip()]
        return _page_to_print(register.write_sheet(title, named, q, intro, drawings), "sheet")


def _svg(picture: str) -> Response:
    return Response(picture, media_type="image/svg+xml")


def _page_to_print(page: str, name: str) -> Response:
    """A page with its own style and pictures: saved first, since this site's policy allows neither."""
    headers = {"Content-Disposition": f'attachment; filename="{name}.html"'}
    return Response(page, media_type="text/html", headers=headers)
