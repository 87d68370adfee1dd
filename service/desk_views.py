"""Pages over the whole register: grid, timeline, order, overlaps, news, questions, and what changed."""

from __future__ import annotations

from typing import Any, Literal

from fastapi import FastAPI
from starlette.responses import HTMLResponse

from service.desk_history import name_changes
from service.desk_parts import Desk, Facts, PageNumber, Short, make_query
from service.register.search import name_ids

By = Literal["motif", "line"]
Weight = Literal["", "conflict", "question"]


def add_view_pages(app: FastAPI, desk: Desk) -> None:
    """Add them."""
    _add_time_pages(app, desk)
    _add_finding_pages(app, desk)

    @app.get("/register/grid", include_in_schema=False)
    def show_grid() -> HTMLResponse:
        return desk.show("grid", "/register/grid", **lay_out_grid(desk.register.show_grid()))

    @app.get("/register/changes", include_in_schema=False)
    def show_changes(page: PageNumber = 1) -> HTMLResponse:
        answer = desk.register.list_changes(page=page)
        return desk.show("changes", "", answer=answer, entries=name_changes(desk, answer["items"]))


def _add_time_pages(app: FastAPI, desk: Desk) -> None:
    @app.get("/register/timeline", include_in_schema=False)
    def show_timeline(by: By = "motif") -> HTMLResponse:
        spread = desk.register.show_spread(5)
        return desk.show(
            "timeline",
            "/register/timeline",
            by=by,
            table=desk.register.tabulate_timeline(by),
            spread=spread,
            spread_table=desk.register.tabulate_spread(5) if spread["sums"] else (),
        )

    @app.get("/register/order", include_in_schema=False)
    def show_order() -> HTMLResponse:
        return desk.show("order", "", order=desk.register.show_order())


def _add_finding_pages(app: FastAPI, desk: Desk) -> None:
    @app.get("/register/questions", include_in_schema=False)
    def show_questions(
        weight: Literal["", "conflict", "question"] = "", page: PageNumber = 1
    ) -> HTMLResponse:
        answer = desk.register.list_conflicts(page, weight or None)
        ids = [r["id"] for entry in answer["items"] for r in entry["records"]]
        more = f"/register/questions{make_query(weight=weight)}"
        return desk.show(
            "questions",
            "/register/questions",
            answer=answer,
            weight=weight,
            names=_names(desk, ids),
            more=more,
        )

    @app.get("/register/overlaps", include_in_schema=False)
    def show_overlaps(page: PageNumber = 1) -> HTMLResponse:
        answer = desk.register.list_overlaps(page)
        names = _names(desk, [line for entry in answer["items"] for line in entry["lines"]])
        return desk.show("overlaps", "", answer=answer, names=names)

    @app.get("/register/news", include_in_schema=False)
    def show_news(page: PageNumber = 1) -> HTMLResponse:
        answer = desk.register.list_news(page)
        names = _names(desk, [entry["piece"] for entry in answer["items"]])
        return desk.show("news", "", answer=answer, names=names)

    @app.get("/register/wants", include_in_schema=False)
    def show_wants(page: PageNumber = 1) -> HTMLResponse:
        return desk.show("wants", "", answer=desk.register.list_wants(page))

    @app.get("/register/duplicates", include_in_schema=False)
    def show_duplicates(page: PageNumber = 1) -> HTMLResponse:
        return desk.show("duplicates", "", answer=desk.register.list_duplicates(page))

    @app.get("/register/sets", include_in_schema=False)
    def show_sets(page: PageNumber = 1) -> HTMLResponse:
        return desk.show("sets", "", answer=desk.register.list_partners(page))

    @app.get("/register/merges", include_in_schema=False)
    def show_merges(piece: Short = "", page: PageNumber = 1) -> HTMLResponse:
        return desk.show("merges", "", answer=desk.register.propose_merges(piece or None, page), piece=piece)

    @app.get("/register/numbers", include_in_schema=False)
    def show_numbers(number: Short = "", code: Short = "", page: PageNumber = 1) -> HTMLResponse:
        meant = desk.register.read_number(number)["meanings"] if number else None
        coded = desk.register.read_date_code(code)["meanings"] if code else None
        return desk.show(
            "numbers",
            "",
            number=number,
            code=code,
            meant=meant,
            coded=coded,
            rules=desk.register.list_records("number_rule", page),
            codes=desk.register.list_records("date_code_rule", page),
        )


def lay_out_grid(grid: Facts) -> Facts:
    """The grid as rows of cells, each with where its pieces are, or where to wish for one."""
    cells = {(c["motif"], c["line"], c["metal"]): c for c in grid["cells"]}
    columns = [(line, metal) for line in grid["lines"] for metal in grid["metals"]]
    rows = [
        {
            "motif": motif,
            "cells": [_lay_out_cell(cells, motif, line, metal) for line, metal in columns],
        }
        for motif in grid["motifs"]
    ]
    return {"grid": grid, "columns": columns, "rows": rows}


def _lay_out_cell(cells: dict[Any, Facts], motif: Facts, line: Facts, metal: str | None) -> Facts:
    cell = cells.get((motif["id"], line["id"], metal))
    named = motif["id"] is not None and line["id"] is not None
    where = {"motif": motif["name"] if motif["id"] else "", "line": line["name"] if line["id"] else ""}
    about = f"{motif['name']} on {line['name']}, {metal or 'metal not recorded'}"
    if cell is not None:
        return {"cell": cell, "address": f"/register{make_query(**where, metal=metal)}", "about": about}
    want = make_query(motif_id=motif["id"], line_id=line["id"], metal=metal)
    blank = named and metal is not None
    return {"cell": None, "address": f"/register/new/want{want}" if blank else "", "about": about}


def _names(desk: Desk, ids: list[str]) -> dict[str | None, str]:
    with desk.register.store.looking() as tx:
        return name_ids(tx, ids)
