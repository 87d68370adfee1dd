"""The page of taking everything out and in again."""

from __future__ import annotations

from fastapi import FastAPI
from starlette.responses import HTMLResponse

from service.caller import require_owner
from service.desk_parts import Desk
from service.exchange.routes import add_exchange


def add_exchange_page(app: FastAPI, desk: Desk) -> None:
    """Add it, and the routes behind it."""
    add_exchange(app, desk.register)

    @app.get("/exchange", include_in_schema=False)
    def show_exchange() -> HTMLResponse:
        require_owner()
        pieces = desk.register.list_records("piece")["total"]
        photos = desk.actions.tell_health()["gallery"]["items"]
        return desk.show("exchange", "/exchange", pieces=pieces, photos=photos)
