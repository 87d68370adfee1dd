"""Paper: an honest sale label of one piece, and a sheet for a talk, as pages that print well."""

from __future__ import annotations

import re
from typing import Annotated

from fastapi import FastAPI, Query
from starlette.responses import HTMLResponse

from model.errors import RimlightError
from service.desk_parts import Desk, Short, make_query
from service.register.talk_sheet import lay_out_sheet

MANY = Annotated[str, Query(max_length=4000)]
LONG = Annotated[str, Query(max_length=2000)]


def add_print_pages(app: FastAPI, desk: Desk) -> None:
    """Add the page that asks what to print, and the two that are printed."""

    @app.get("/register/print", include_in_schema=False)
    def show_print(piece: Short = "") -> HTMLResponse:
        return desk.show("print", "", piece=piece)

    @app.get("/register/label", include_in_schema=False)
    def show_asked_label(piece: Short = "") -> HTMLResponse:
        return show_label(piece)

    @app.get("/register/label/{which:path}", include_in_schema=False)
    def show_label(which: str) -> HTMLResponse:
        label = desk.register.write_label(which)
        return desk.show("label", "", label=label, which=which)

    @app.get("/register/sheet", include_in_schema=False)
    def show_sheet(
        title: Short = "From the register",
        pieces: MANY = "",
        q: Short = "",
        intro: LONG = "",
        drawings: bool = False,
    ) -> HTMLResponse:
        named = [part.strip() for part in re.split(r"[,\n]", pieces) if part.strip()]
        try:
            files = desk.register.choose_for_sheet(named, q or None)
        except RimlightError as error:
            asked = {"title": title, "pieces": pieces, "q": q, "intro": intro, "drawings": drawings}
            return desk.show("print", "", 422, piece="", fault=str(error), asked=asked)
        saved = make_query(title=title, pieces=pieces, q=q, intro=intro, drawings=str(drawings).lower())
        laid = lay_out_sheet(files)
        return desk.show("sheet", "", title=title, intro=intro, drawings=drawings, sheet=laid, saved=saved)
