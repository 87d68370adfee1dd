"""Routes of taking everything out and in: archives, the table, records for others. For the owner alone."""

from __future__ import annotations

import hashlib
import io
import tempfile
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Annotated, Any, Literal

import anyio.to_thread
from fastapi import FastAPI, File, Query, Request, UploadFile
from starlette.background import BackgroundTask
from starlette.responses import FileResponse, JSONResponse, Response

from service.caller import require_owner
from service.errors import KeyReused, StoreError
from service.exchange.archive import Archive, ArchiveRefused
from service.exchange.arrivals import Arrivals
from service.exchange.handing_out import write_records
from service.exchange.merge import merge_archive, preview_merge, say_plan
from service.exchange.spreadsheet import preview_table, take_in_table, write_table
from service.exchange.whole import export_everything
from service.problems import describe_problems
from service.recent_answers import RecentAnswers
from service.register.record_actions import Records
from service.retries import retry_of
from service.route_types import Id, Key

ZIP: dict[int | str, Any] = {200: {"content": {"application/zip": {}}}}
CSV: dict[int | str, Any] = {200: {"content": {"text/csv": {}}}}
RECORDS: dict[int | str, Any] = {200: {"content": {"application/xml": {}, "application/ld+json": {}}}}
TableFile = Annotated[UploadFile, File(description="a CSV file in UTF-8")]


def add_exchange(app: FastAPI, register: Records) -> None:
    """Add them."""
    arrivals = Arrivals(register.store.folder / "arrivals")
    _add_going_out(app, register)
    answers = RecentAnswers()
    _add_tables(app, register, answers)
    _add_arriving(app, register, arrivals, answers)


def _add_going_out(app: FastAPI, register: Records) -> None:
    @app.get(
        "/api/exchange/archive",
        responses=describe_problems(403, 422, 507) | ZIP,
        response_class=Response,
        summary="Everything in one archive, or what may leave in a shared one",
    )
    def send_archive(
        share: Annotated[bool, Query(description="without what is private")] = False,
    ) -> Response:
        require_owner()
        name = "rimlight-shared.zip" if share else "rimlight.zip"
        return _send(
            name, "application/zip", lambda path: export_everything(register.store, path, _quietly, share)
        )

    @app.get(
        "/api/exchange/records",
        responses=describe_problems(403, 422, 507) | RECORDS,
        response_class=Response,
        summary="All pieces as museum records (LIDO) or linked data (JSON-LD)",
    )
    def send_records(
        form: Literal["lido", "json-ld"] = "lido",
        source: Annotated[str, Query(min_length=1, max_length=200)] = "private collection",
    ) -> Response:
        require_owner()
        name, kind = {
            "lido": ("pieces.lido.xml", "application/xml"),
            "json-ld": ("pieces.jsonld", "application/ld+json"),
        }[form]
        return _send(name, kind, lambda path: write_records(register.store, path, form, source))


def _add_tables(app: FastAPI, register: Records, answers: RecentAnswers) -> None:
    @app.get(
        "/api/exchange/table.csv",
        responses=describe_problems(403, 422) | CSV,
        response_class=Response,
        summary="The pieces as a table for spreadsheets",
    )
    def send_table(
        private: Annotated[bool, Query(description="with price, seller and place")] = False,
    ) -> Response:
        require_owner()
        out = io.StringIO(newline="")
        write_table(register.store, out, private)
        headers = {"Content-Disposition": 'attachment; filename="pieces.csv"'}
        return Response(out.getvalue(), media_type="text/csv", headers=headers)

    @app.post(
        "/api/exchange/table/preview",
        responses=describe_problems(403, 422),
        summary="What each row of a table would do; nothing is stored",
    )
    def preview(table: TableFile, key: Key = None) -> Response:
        require_owner()  # stores nothing, so a repeated request gives the same answer, with or without a key
        reports = preview_table(register.store, table.file.read())
        return JSONResponse({"rows": [report.as_json() for report in reports], "change": None})

    @app.post(
        "/api/exchange/table",
        responses=describe_problems(403, 422),
        summary="Take the new rows of a table in, as one change",
    )
    def take_in(table: TableFile, key: Key = None) -> Response:
        require_owner()
        data = table.file.read()

        def take() -> dict[str, Any]:
            reports, change = take_in_table(register.store, register.who, data)
            return {"rows": [report.as_json() for report in reports], "change": change}

        return JSONResponse(answers.once(retry_of(key, "table", data), take))


def _add_arriving(app: FastAPI, register: Records, arrivals: Arrivals, answers: RecentAnswers) -> None:
    @app.post(
        "/api/exchange/archives",
        status_code=201,
        responses=describe_problems(403, 413, 422, 507),
        summary="Send an archive (the ZIP itself as the body) and hear what merging it would do",
    )
    async def receive_archive(request: Request, key: Key = None) -> Response:
        require_owner()
        arrival, digest = await _take_down(request, arrivals)

        def look() -> dict[str, Any]:
            return {"id": arrival} | _preview(register, arrivals, arrival)

        def answer() -> dict[str, Any]:
            try:
                told = answers.once(retry_of(key, "archive", digest), look)
            except KeyReused:
                arrivals.drop(arrival)
                raise
            if told["id"] != arrival:  # sent again: the first copy is the one that was told of
                arrivals.drop(arrival)
            return told

        return JSONResponse(await anyio.to_thread.run_sync(answer), 201)

    @app.post(
        "/api/exchange/archives/{arrival}/merge",
        responses=describe_problems(403, 404, 422, 507),
        summary="Bring in what an archive has and this gallery has not, as one change",
    )
    def merge(arrival: Id, key: Key = None) -> Response:
        require_owner()

        def bring_in() -> dict[str, Any]:
            with Archive(arrivals.find(arrival)) as archive:
                plan, change = merge_archive(register.store, archive, register.who, _quietly)
            arrivals.drop(arrival)
            return {"said": say_plan(plan), "plan": plan.as_json(), "change": change}

        return JSONResponse(answers.once(retry_of(key, "merge", arrival), bring_in))

    @app.delete(
        "/api/exchange/archives/{arrival}",
        status_code=204,
        responses=describe_problems(403),
        summary="Let an archive go that was only looked at",
    )
    def drop(arrival: Id) -> Response:
        require_owner()
        arrivals.drop(arrival)
        return Response(status_code=204)


async def _take_down(request: Request, arrivals: Arrivals) -> tuple[str, str]:
    """Write the body down as it comes, and its hash; a half one is dropped."""
    arrival, out = await anyio.to_thread.run_sync(arrivals.open_new)
    digest = hashlib.sha256()
    try:
        with out:
            async for chunk in request.stream():
                digest.update(chunk)
                await anyio.to_thread.run_sync(out.write, chunk)
    except OSError as error:
        arrivals.drop(arrival)
        raise StoreError(f"The archive cannot be kept here ({error.strerror}): free some space.") from error
    except BaseException:
        arrivals.drop(arrival)
        raise
    return arrival, digest.hexdigest()


def _preview(register: Records, arrivals: Arrivals, arrival: str) -> dict[str, Any]:
    try:
        with Archive(arrivals.find(arrival)) as archive:
            plan = preview_merge(register.store, archive, _quietly)
    except ArchiveRefused as refused:
        arrivals.drop(arrival)
        raise ArchiveRefused(str(refused).replace(f"{arrival}.zip", "The file")) from refused
    except BaseException:
        arrivals.drop(arrival)
        raise
    return {"said": say_plan(plan), "plan": plan.as_json(), "brings_nothing": plan.brings_nothing}


def _send(name: str, media_type: str, write: Callable[[Path], object]) -> FileResponse:
    """A file made for this one answer."""
    folder = tempfile.TemporaryDirectory(prefix="rimlight-")
    try:
        path = Path(folder.name) / name
        write(path)
    except BaseException:
        folder.cleanup()
        raise
    return FileResponse(path, media_type=media_type, filename=name, background=BackgroundTask(folder.cleanup))


def _quietly(steps: Iterable[str], _total: int, _what: str) -> Iterable[str]:
    return steps
