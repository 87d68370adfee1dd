"""The pages about this Rimlight itself, in one place: what works away from it, its settings, its backups."""

from __future__ import annotations

import jinja2
from fastapi import FastAPI

from service.actions import Actions
from service.offline_pages import add_offline_pages


def add_house_pages(app: FastAPI, actions: Actions, shapes: jinja2.Environment) -> None:
    """Add all of them."""
    add_offline_pages(app, shapes)
