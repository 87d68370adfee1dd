"""The pages for people: server-rendered, with plain static files of our own."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import jinja2
from fastapi import FastAPI, Query
from starlette.responses import HTMLResponse
from starlette.staticfiles import StaticFiles

from service import report, view
from service.actions import Actions
from service.house_pages import add_house_pages
from service.page_navigation import GROUPS, list_bar
from service.problems import KINDS
from service.reading_pages import add_reading_pages
from service.view_answer import LEAST_NAMED

RECENT = 6
PAGE_FOLDER = Path(__file__).parent / "page"


def add_pages(app: FastAPI, actions: Actions) -> jinja2.Environment:
    """Add the phone page, the gallery, the documentation pages and their static files; returns the shapes."""
    loader = jinja2.FileSystemLoader(PAGE_FOLDER / "templates")
    shapes = jinja2.Environment(loader=loader, autoescape=True, undefined=jinja2.Undefined)
    shapes.globals.update(say_share=report.say_share, percent=view.percent, list_bar=list_bar)
    shapes.globals.update(least_named=LEAST_NAMED)

    def show(name: str, here: str, **values: object) -> HTMLResponse:
        return HTMLResponse(shapes.get_template(name).render(here=here, **values))

    @app.get("/", include_in_schema=False)
    def show_start() -> HTMLResponse:
        recent = [view.recent(facts) for facts in actions.list_recent_readings(RECENT)]
        return show("start.html", "/", recent=recent)

    add_reading_pages(app, actions, show)

    @app.get("/gallery", include_in_schema=False)
    def show_gallery(
        motif: Annotated[str, Query(max_length=200)] = "",
        metal: Annotated[str, Query(max_length=20)] = "",
        page: Annotated[int, Query(ge=1, le=1_000_000)] = 1,
    ) -> HTMLResponse:
        answer = actions.list_gallery(motif or None, metal or None, page)
        values = {"answer": answer, "motif": motif, "metal": metal}
        return show("gallery.html", "/gallery", motifs=actions.list_motifs(), **values)

    @app.get("/help", include_in_schema=False)
    def show_help() -> HTMLResponse:
        return show("help.html", "/help")

    @app.get("/more", include_in_schema=False)
    def show_more() -> HTMLResponse:
        return show("desk/more.html", "/more", groups=GROUPS)

    @app.get("/problems", include_in_schema=False)
    def show_problems() -> HTMLResponse:
        return show("problems.html", "", kinds={kind.name: kind for kind in KINDS.values()})

    @app.get("/docs", include_in_schema=False)
    def show_docs() -> HTMLResponse:
        return show("docs.html", "", document=app.openapi())

    add_house_pages(app, actions, shapes)
    app.mount("/static", StaticFiles(directory=PAGE_FOLDER / "static"), name="static")
    return shapes
