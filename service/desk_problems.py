"""A refusal of a page is a page: what happened, what to do, and a way on."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

from fastapi import FastAPI, Request
from starlette.responses import HTMLResponse, Response

from service.desk_parts import Desk
from service.problems import KINDS

Handler = Callable[[Request, Exception], Response]


def show_problems_as_pages(app: FastAPI, desk: Desk) -> None:
    """Programs still get problem details; a browser that opens a page gets the same words as a page."""
    for kind, handler in list(app.exception_handlers.items()):
        app.exception_handlers[kind] = _with_page(handler, desk)


def _with_page(handler: Any, desk: Desk) -> Handler:
    def answer(request: Request, error: Exception) -> Response:
        said: Response = handler(request, error)
        if not _opens_page(request):
            return said
        problem = json.loads(bytes(said.body))
        name = str(problem["type"]).rpartition("#")[2]
        advice = next((kind.advice for kind in KINDS.values() if kind.name == name), "")
        detail = problem["detail"]
        if name.startswith("http-404"):
            advice, detail = "", "There is nothing at this address. It may have been removed, or mistyped."
        page = desk.show("problem", "", said.status_code, problem=problem, detail=detail, advice=advice)
        return HTMLResponse(bytes(page.body), said.status_code, _kept_headers(said))

    return answer


def _opens_page(request: Request) -> bool:
    accepts = "text/html" in request.headers.get("accept", "")
    return request.method in ("GET", "HEAD") and accepts and not request.url.path.startswith("/api/")


def _kept_headers(said: Response) -> dict[str, str]:
    return {name: said.headers[name] for name in ("Retry-After", "Allow") if name in said.headers}
