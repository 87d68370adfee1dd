"""Where everything lies, what is installed, what the limits are, and what may be changed: the page."""

from __future__ import annotations

import sys
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import jinja2
from fastapi import FastAPI
from pydantic import BaseModel, ConfigDict, Field
from starlette.responses import HTMLResponse, JSONResponse, Response

from service import devices, settings
from service.actions import Actions
from service.backup.backups import Backups
from service.caller import current_caller, require_owner
from service.certificate import find_made
from service.errors import NotAllowed
from service.problems import describe_problems
from service.recent_answers import RecentAnswers
from service.retries import retry_of
from service.route_types import Key
from service.second_place import PATH_LENGTH, choose_second_place, find_second_place
from service.store import DATABASE_NAME


class SettingsIn(BaseModel):
    """What may be changed here."""

    model_config = ConfigDict(extra="forbid")
    backup_to: str | None = Field(
        max_length=PATH_LENGTH, description="folder of another disk for a second automatic backup; null: none"
    )


class SettingsOut(BaseModel):
    """What it is now and what it was before."""

    backup_to: str | None
    before: str | None


def add_settings_pages(app: FastAPI, actions: Actions, shapes: jinja2.Environment) -> None:
    """Add the page and the route, for the owner."""
    answers = RecentAnswers()

    @app.get("/settings", include_in_schema=False)
    def show_settings() -> HTMLResponse:
        require_owner()
        page = shapes.get_template("settings/settings.html")
        facts = list_facts(actions) | {
            "address": getattr(app.state, "address", None),
            "made": find_made(actions.store.folder),
            "at_home": current_caller().device is None,
        }
        return HTMLResponse(page.render(here="/settings", **facts))

    @app.post(
        "/api/settings",
        response_model=SettingsOut,
        responses=describe_problems(403, 422),
        summary="Change what may be changed, on the machine itself",
    )
    def change_settings(body: SettingsIn, key: Key = None) -> Response:
        require_owner()
        if current_caller().device is not None:
            raise NotAllowed("Where files are written is chosen on the machine that runs Rimlight itself.")

        def change() -> dict[str, Any]:
            before = choose_second_place(actions.store, body.backup_to)
            now = find_second_place(actions.store)
            return {"backup_to": str(now) if now else None, "before": str(before) if before else None}

        retry = retry_of(key, "settings", body.backup_to)
        return JSONResponse(answers.once(retry, change))


def list_facts(actions: Actions) -> dict[str, Any]:
    """Everything that the page tells of the folder, the reader, the extras and the limits."""
    folder = actions.store.folder
    made = Backups(folder).list_backups()
    second = find_second_place(actions.store)
    return {
        "folder": str(folder),
        "sizes": [(word, measure_mb(folder / name)) for word, name in PARTS],
        "health": actions.tell_health(),
        "python": sys.version.split()[0],
        "has_heic": find_spec("pi_heif") is not None,
        "has_ocr": find_spec("rapidocr") is not None,
        "backups": len(made),
        "backup_folder": str(Backups(folder).folder),
        "second": str(second) if second else "",
        "second_is_here": second is not None and second.is_dir(),
        "limits": {
            "photo_mb": settings.MAX_PHOTO_BYTES // 10**6,
            "photos_a_day": devices.PHOTOS_A_DAY,
            "gb_a_day": devices.BYTES_A_DAY // 10**9,
            "code_minutes": int(devices.CODE_LIFE.total_seconds() // 60),
        },
    }


PARTS = (
    ("Database", DATABASE_NAME),
    ("Photos", "photos"),
    ("Unrolled rims", "strips"),
    ("Pictures that can be made again", "derived"),
    ("Backups", "backups"),
    ("Set aside", "quarantine"),
)


def measure_mb(path: Path) -> float:
    """Size of a file, or of everything in a folder, in MB of 10^6 bytes."""
    if path.is_file():
        return path.stat().st_size / 1e6
    return sum(part.stat().st_size for part in path.rglob("*") if part.is_file()) / 1e6
