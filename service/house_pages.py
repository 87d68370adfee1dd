"""The pages about this Rimlight itself: what works away from it, certificate, settings, backups."""

from __future__ import annotations

import jinja2
from fastapi import FastAPI

from service.actions import Actions
from service.backup.backups import Backups
from service.backup_pages import add_backup_pages
from service.certificate_pages import add_certificate_pages
from service.offline_pages import add_offline_pages
from service.settings_pages import add_settings_pages


def add_house_pages(app: FastAPI, actions: Actions, shapes: jinja2.Environment) -> None:
    """Add all of them."""
    folder = actions.store.folder
    add_offline_pages(app, shapes)
    add_certificate_pages(app, folder, shapes)
    add_settings_pages(app, actions, shapes)
    add_backup_pages(app, Backups(folder), shapes)
