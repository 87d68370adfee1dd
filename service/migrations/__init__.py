"""Numbered steps from an empty database to today's shape: append only, never edit a released one."""

from __future__ import annotations

from collections.abc import Callable

import sqlalchemy as sa

from service.migrations import m0001_first

MIGRATIONS: tuple[Callable[[sa.Connection], None], ...] = (m0001_first.apply,)
