"""The page that reads a whole folder of photos; the work is done by its script, one photo at a time."""

from __future__ import annotations

from fastapi import FastAPI
from starlette.responses import HTMLResponse

from service.desk_parts import Desk


def add_import_page(app: FastAPI, desk: Desk) -> None:
    """Add it."""

    @app.get("/import", include_in_schema=False)
    def show_import() -> HTMLResponse:
        return desk.show("import", "/import", motifs=desk.actions.list_motifs())
