"""Routes of the register's records: translate to use cases and back, never think."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import FastAPI, Query
from starlette.responses import JSONResponse, Response

from service.caller import require_owner
from service.problems import describe_problems
from service.register.described import describe_kinds
from service.register.record_actions import Records
from service.register.register_actions import Register
from service.register.route_parts import Fields, Kind, NewNames, Page, Private, Text, Which, make_retry
from service.register.routes_pieces import add_piece_routes
from service.register.routes_views import add_view_routes
from service.route_types import Key


def add_register(app: FastAPI, register: Register) -> None:
    """Add all routes of the register."""
    _add_reading_of_records(app, register)
    _add_changes_of_records(app, register)
    add_piece_routes(app, register)
    add_view_routes(app, register)


def _add_reading_of_records(app: FastAPI, register: Records) -> None:
    @app.get(
        "/api/register/search",
        responses=describe_problems(403, 404, 422),
        summary="Search over everything in the register",
    )
    def find_records(
        q: Annotated[str, Query(max_length=200)] = "",
        kind: Text = None,
        motif: Text = None,
        line: Text = None,
        maker: Text = None,
        distributor: Text = None,
        metal: Text = None,
        piece_kind: Text = None,
        owned: bool | None = None,
        private: Private = False,
        page: Page = 1,
    ) -> Response:
        if private:
            require_owner()
        filters = {"motif": motif, "line": line, "maker": maker, "distributor": distributor, "metal": metal}
        filters |= {"piece_kind": piece_kind}
        narrowed: dict[str, Any] = filters | {"owned": owned}
        kinds = (kind,) if kind else ()
        return JSONResponse(register.find_records(q, kinds, narrowed, page, private))

    @app.get("/api/register/kinds", summary="Every kind of record with its fields")
    def list_kinds() -> Response:
        return JSONResponse(describe_kinds())

    @app.get(
        "/api/register/records/{kind}",
        responses=describe_problems(422),
        summary="The records of a kind, in order",
    )
    def list_records(kind: Kind, page: Page = 1) -> Response:
        return JSONResponse(register.list_records(kind, page))

    @app.get(
        "/api/register/records/{kind}/{which:path}",
        responses=describe_problems(403, 404, 422),
        summary="One record with all that hangs on it",
    )
    def show_record(kind: Kind, which: Which, private: Private = False) -> Response:
        if private:
            require_owner()
        return JSONResponse(register.show_record(kind, which, private))

    @app.get(
        "/api/register/changes",
        responses=describe_problems(404, 422),
        summary="What changed, when and by whom, newest first",
    )
    def list_changes(since: Text = None, kind: Text = None, which: Text = None, page: Page = 1) -> Response:
        return JSONResponse(register.list_changes(since, kind, which, page))


def _add_changes_of_records(app: FastAPI, register: Records) -> None:
    @app.post(
        "/api/register/records/{kind}",
        status_code=201,
        responses=describe_problems(403, 422),
        summary="Add a record; a piece may bring its decorations and marks",
    )
    def add_record(kind: Kind, body: Fields, new_names: NewNames = False, key: Key = None) -> Response:
        retry = make_retry(key, "add", kind, new_names, body)
        answer = register.add_record(kind, body, new_names, retry)
        return JSONResponse(answer, 201, {"Location": _address(answer["record"])})

    @app.patch(
        "/api/register/records/{kind}/{which:path}",
        responses=describe_problems(403, 404, 422),
        summary="Correct fields of a record; null takes a value away",
    )
    def correct_record(
        kind: Kind, which: Which, body: Fields, new_names: NewNames = False, key: Key = None
    ) -> Response:
        retry = make_retry(key, "correct", kind, which, new_names, body)
        return JSONResponse(register.correct_record(kind, which, body, new_names, retry))

    @app.delete(
        "/api/register/records/{kind}/{which:path}",
        responses=describe_problems(404, 422),
        summary="Remove a record; it can be undone",
    )
    def remove_record(kind: Kind, which: Which, key: Key = None) -> Response:
        return JSONResponse(register.remove_record(kind, which, make_retry(key, "remove", kind, which)))


def _address(record: dict[str, Any]) -> str:
    return f"/api/register/records/{record['record_kind']}/{record['id']}"
