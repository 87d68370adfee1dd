"""The register's lists and the page of one record: facts, evidence, opinions, photos, history."""

from __future__ import annotations

from typing import Any, Literal

from fastapi import FastAPI
from starlette.responses import HTMLResponse, RedirectResponse

from model.errors import RimlightError
from service.caller import current_caller
from service.desk_history import list_history
from service.desk_parts import Desk, Facts, PageNumber, Short, list_all_names, make_query
from service.desk_words import KIND_WORDS
from service.errors import NotFound
from service.register.records import KINDS
from service.register.search import name_ids

# What a list shows of each kind beside what the record is called.
COLUMNS: dict[str, tuple[str, ...]] = {
    "motif": ("aliases", "variants", "years", "source"),
    "line": ("maker", "aliases", "years", "source"),
    "maker": ("aliases", "years", "source"),
    "distributor": ("aliases", "years", "source"),
    "decoration": ("piece", "variant", "metal", "state", "number"),
    "mark": ("piece", "technique", "colour", "place", "date_code"),
    "evidence": ("kind", "date", "bearing", "strength"),
    "opinion": ("who", "when", "confidence"),
    "want": ("line", "count", "note"),
    "number_rule": ("maker", "line", "distributor", "source"),
    "date_code_rule": ("means", "maker", "source"),
    "kept_apart": ("one", "other", "why"),
}
EVERYTHING = "everything"
SHOWN_FIRST = ("record_kind", "id", "said_about", "about_kind", "about_id")
HISTORY = 20


def add_record_pages(app: FastAPI, desk: Desk) -> None:
    """Add the register's list and the pages of records."""

    @app.get("/register", include_in_schema=False)
    def show_register(
        q: Short = "",
        kind: Short = "piece",
        motif: Short = "",
        line: Short = "",
        maker: Short = "",
        metal: Short = "",
        piece_kind: Short = "",
        owned: Literal["", "yes", "no"] = "",
        page: PageNumber = 1,
    ) -> HTMLResponse:
        if kind not in (*KINDS, EVERYTHING):
            raise NotFound(f"There is no list {kind[:40]!r} in the register.")
        asked = {"q": q, "kind": kind, "motif": motif, "line": line, "maker": maker, "metal": metal}
        asked |= {"piece_kind": piece_kind, "owned": owned}
        answer, fault = _find(desk, asked, page)
        names = {name: list_all_names(desk, name) for name in ("motif", "line", "maker")}
        return desk.show(
            "register",
            "/register",
            asked=asked,
            answer=answer,
            fault=fault,
            names=names,
            columns=COLUMNS.get(kind, ()),
            kinds=KIND_WORDS,
            more=make_query(**asked | {"kind": kind if kind != "piece" else ""}),
        )

    @app.get("/register/records/{kind}", include_in_schema=False)
    def show_list(kind: str) -> RedirectResponse:
        return RedirectResponse(f"/register{make_query(kind=kind)}", 303)

    @app.get("/register/records/{kind}/{which:path}", include_in_schema=False)
    def show_one(kind: str, which: str) -> HTMLResponse:
        if kind not in KINDS:
            raise NotFound(f"There is no list {kind[:40]!r} in the register.")
        record = desk.register.show_record(kind, which, current_caller().is_owner)
        if kind == "piece":
            return _show_piece(desk, record)
        return _show_other(desk, record)


def _find(desk: Desk, asked: dict[str, str], page: int) -> tuple[Facts, str]:
    """The page of the list that is asked for; where a filter cannot be used, why not."""
    kind, query = asked["kind"], asked["q"]
    filters: dict[str, Any] = {
        name: asked[name] or None for name in ("motif", "line", "maker", "metal", "piece_kind")
    }
    filters["owned"] = {"": None, "yes": True, "no": False}[asked["owned"]]
    try:
        if kind not in ("piece", EVERYTHING) and not query:
            return desk.register.list_records(kind, page), ""
        kinds = () if kind == EVERYTHING else (kind,)
        narrowed = filters if kind == "piece" else {}
        return desk.register.find_records(query, kinds, narrowed, page, current_caller().is_owner), ""
    except RimlightError as error:
        return {"items": [], "page": 1, "pages": 1, "total": 0}, str(error)


def _show_piece(desk: Desk, piece: Facts) -> HTMLResponse:
    said = [*piece["evidence"], *piece["opinions"]]
    own = [piece, *piece["decorations"], *piece["marks"], *said]
    about = {record["id"]: record for record in (piece, *piece["decorations"], *piece["marks"])}
    with desk.register.store.looking() as tx:
        partners = name_ids(tx, piece["goes_with"])
        on_lists = {entry["about_id"] for entry in said if entry["about_id"] not in about}
        names = name_ids(tx, on_lists)
    return desk.show(
        "piece",
        "/register",
        piece=piece,
        about=about,
        about_names=names,
        partners=partners,
        history=list_history(desk, [(r["record_kind"], r["id"]) for r in own], HISTORY),
    )


def _show_other(desk: Desk, record: Facts) -> HTMLResponse:
    kind, record_id = record["record_kind"], record["id"]
    fields = {
        n: v
        for n, v in record.items()
        if n not in SHOWN_FIRST and (n == "reading_id" or not n.endswith("_id"))
    }
    links = [("piece", record["piece_id"], record.get("piece"))] if record.get("piece_id") else []
    if "about_id" in record:
        links.append((record["about_kind"], record["about_id"], _name(desk, record["about_id"])))
    if kind == "kept_apart":
        links += [("piece", record[n], _name(desk, record[n])) for n in ("one", "other")]
    pieces = f"/register{make_query(**{kind: record['name']})}" if kind in ("motif", "line", "maker") else ""
    return desk.show(
        "record",
        "/register",
        record=record,
        fields=fields,
        links=links,
        pieces=pieces,
        history=list_history(desk, [(kind, record_id)], HISTORY),
    )


def _name(desk: Desk, record_id: str) -> str:
    with desk.register.store.looking() as tx:
        return name_ids(tx, [record_id]).get(record_id, record_id)
