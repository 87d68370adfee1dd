"""What lets the phone page open while this machine is out of reach: a worker, its page, a manifest."""

from __future__ import annotations

import hashlib
import json
import re
from pathlib import Path

import jinja2
from fastapi import FastAPI
from starlette.responses import HTMLResponse, JSONResponse, Response

PAGE_FOLDER = Path(__file__).parent / "page"
STATIC = re.compile(r'(?:src|href)="(/static/[\w./-]+)"')
MANIFEST = {
    "name": "Rimlight",
    "short_name": "Rimlight",
    "description": "Reads the decorated rim of tableware from a photo.",
    "id": "/",
    "start_url": "/",
    "scope": "/",
    "display": "standalone",
    "background_color": "#f6f4ee",
    "theme_color": "#ffffff",
    "icons": [{"src": "/static/mark.svg", "type": "image/svg+xml", "sizes": "any"}],
}


def add_offline_pages(app: FastAPI, shapes: jinja2.Environment) -> None:
    """Add them. The worker lies at the top, since it may only serve addresses below its own."""

    @app.get("/away", include_in_schema=False)
    def show_away() -> HTMLResponse:
        return HTMLResponse(render_away(shapes))

    @app.get("/worker.js", include_in_schema=False)
    def send_worker() -> Response:
        # A browser asks for it now and then; what it holds must be of today.
        headers = {"Cache-Control": "no-cache"}
        return Response(render_worker(shapes), media_type="text/javascript", headers=headers)

    @app.get("/manifest.webmanifest", include_in_schema=False)
    def send_manifest() -> Response:
        return JSONResponse(MANIFEST, media_type="application/manifest+json")


def render_away(shapes: jinja2.Environment) -> str:
    """The page for taking photos with nothing of the gallery on it: a copy of it stays in the browser."""
    return shapes.get_template("away.html").render(here="/", recent=[])


def render_worker(shapes: jinja2.Environment) -> str:
    """The worker with the files that the page needs; it changes whenever one of them does."""
    page = render_away(shapes)
    names = sorted(set(STATIC.findall(page)))
    joined = hashlib.sha256(page.encode())
    for name in names:
        joined.update((PAGE_FOLDER / name.lstrip("/")).read_bytes())
    worker = (PAGE_FOLDER / "static" / "worker.js").read_text(encoding="utf-8")
    filled = {"{{ version }}": joined.hexdigest()[:16], "{{ files }}": json.dumps(names)}
    for place, value in filled.items():
        worker = worker.replace(place, value)
    return worker
