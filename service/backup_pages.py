"""Page and routes about backups, for the owner: list, make with progress, verify; how to put one back."""

from __future__ import annotations

from datetime import datetime
from typing import Any, Literal

import jinja2
from fastapi import FastAPI
from pydantic import BaseModel
from starlette.responses import HTMLResponse, JSONResponse, Response

from service.backup import rotation
from service.backup.backups import Backup, Backups
from service.backup.job import BackupJob
from service.caller import require_owner
from service.problems import describe_problems
from service.recent_answers import RecentAnswers
from service.retries import retry_of
from service.route_types import Id, Key


class BackupWork(BaseModel):
    """How far the work on the backups is."""

    state: Literal["idle", "running", "done", "failed"]
    text: str
    done: int
    total: int


class BackupOut(BaseModel):
    """One backup; ``bytes`` is the size of its database, photos are shared by all."""

    name: str
    made_at: str
    bytes: int


class BackupList(BaseModel):
    """All backups, newest first, where they lie, and the work that goes on."""

    folder: str
    backups: list[BackupOut]
    work: BackupWork


def add_backup_pages(app: FastAPI, backups: Backups, shapes: jinja2.Environment) -> None:
    """Add them. Putting a backup back needs the folder alone, so it stays a command."""
    job = BackupJob(backups)
    _add_routes(app, backups, job)

    @app.get("/backup", include_in_schema=False)
    def show_backup() -> HTMLResponse:
        require_owner()
        page = shapes.get_template("settings/backup.html")
        kept = {"newest": rotation.NEWEST, "days": rotation.DAYS, "weeks": rotation.WEEKS}
        facts = list_facts(backups, job)
        shown = facts | {"data_folder": str(backups.data_folder), "months": rotation.MONTHS} | kept
        return HTMLResponse(page.render(here="/backup", say_time=say_time, **shown))


def _add_routes(app: FastAPI, backups: Backups, job: BackupJob) -> None:
    answers = RecentAnswers()

    @app.get(
        "/api/backups",
        response_model=BackupList,
        responses=describe_problems(403),
        summary="The backups, for the owner",
    )
    def list_backups() -> Response:
        require_owner()
        return JSONResponse(list_facts(backups, job))

    @app.post(
        "/api/backups",
        status_code=202,
        response_model=BackupWork,
        responses=describe_problems(403, 422),
        summary="Start a backup, for the owner",
    )
    def make_backup(key: Key = None) -> Response:
        require_owner()
        return JSONResponse(answers.once(retry_of(key, "make"), job.make), 202)

    @app.post(
        "/api/backups/{name}/verification",
        status_code=202,
        response_model=BackupWork,
        responses=describe_problems(403, 404, 422),
        summary="Start reading a backup through, for the owner",
    )
    def verify_backup(name: Id, key: Key = None) -> Response:
        require_owner()
        return JSONResponse(answers.once(retry_of(key, "verify", name), lambda: job.verify(name)), 202)


def list_facts(backups: Backups, job: BackupJob) -> dict[str, Any]:
    """What the page and the route tell."""
    found = [_tell(backup) for backup in reversed(backups.list_backups())]
    return {"folder": str(backups.folder), "backups": found, "work": job.tell()}


def _tell(backup: Backup) -> dict[str, Any]:
    made_at = backup.made_at.isoformat().replace("+00:00", "Z")
    return {"name": backup.name, "made_at": made_at, "bytes": backup.path.stat().st_size}


def say_time(made_at: str) -> str:
    """A time as the page writes it: 25 November 2026, 19:45 UTC."""
    made = datetime.fromisoformat(made_at)
    return f"{made.day} {made:%B %Y, %H:%M} UTC"
