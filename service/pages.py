"""The pages for people: server-rendered, with plain static files of our own."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import jinja2
from fastapi import FastAPI, Query, Request
from starlette.exceptions import HTTPException
from starlette.responses import HTMLResponse, RedirectResponse, Response
from starlette.staticfiles import StaticFiles

from service.actions import Actions
from service.guard import COOKIE
from service.problems import KINDS

PAGE_FOLDER = Path(__file__).parent / "page"


def add_pages(app: FastAPI, actions: Actions) -> None:
    """Add the phone page, the gallery, the documentation pages and their static files."""
    loader = jinja2.FileSystemLoader(PAGE_FOLDER / "templates")
    shapes = jinja2.Environment(loader=loader, autoescape=True, undefined=jinja2.StrictUndefined)

    def show(name: str, **values: object) -> HTMLResponse:
        return HTMLResponse(shapes.get_template(name).render(**values))

    @app.get("/", include_in_schema=False)
    def show_start() -> HTMLResponse:
        return show("start.html", motifs=actions.list_motifs())

    @app.get("/problems", include_in_schema=False)
    def show_problems() -> HTMLResponse:
        kinds = {name: (status, title) for status, name, title in KINDS.values()}
        return show("problems.html", kinds=kinds)

    @app.get("/docs", include_in_schema=False)
    def show_docs() -> HTMLResponse:
        return show("docs.html", document=app.openapi())

    @app.get("/pair", include_in_schema=False)
    def pair(request: Request, token: Annotated[str, Query(max_length=200)]) -> Response:
        if not request.app.state.guard.accepts(token):
            raise HTTPException(403, "This token is not valid: look at the terminal for today's address.")
        answer = RedirectResponse("/", 303)
        answer.set_cookie(COOKIE, token, httponly=True, samesite="strict", max_age=86400)
        return answer

    app.mount("/static", StaticFiles(directory=PAGE_FOLDER / "static"), name="static")
