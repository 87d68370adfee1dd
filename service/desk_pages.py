"""The desk: every page of the register, its forms, comparing, importing, printing and exchanging."""

from __future__ import annotations

import jinja2
from fastapi import FastAPI

from service.actions import Actions
from service.desk_compare import add_compare_page
from service.desk_exchange import add_exchange_page
from service.desk_forms import add_form_pages
from service.desk_import import add_import_page
from service.desk_parts import Desk, teach_words
from service.desk_print import add_print_pages
from service.desk_problems import show_problems_as_pages
from service.desk_records import add_record_pages
from service.desk_views import add_view_pages
from service.register.register_actions import Register


def add_desk_pages(app: FastAPI, shapes: jinja2.Environment, actions: Actions, register: Register) -> None:
    """Add all pages of the desk."""
    teach_words(shapes)
    desk = Desk(shapes, actions, register)
    add_form_pages(app, desk)
    add_view_pages(app, desk)
    add_compare_page(app, desk)
    add_import_page(app, desk)
    add_exchange_page(app, desk)
    add_print_pages(app, desk)
    add_record_pages(app, desk)
    show_problems_as_pages(app, desk)
