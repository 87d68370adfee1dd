"""Numbered steps from an empty database to today's shape: append only, never edit a released one.

A database remembers the numbers that it has seen, so steps that do not depend on each other may come in
any order.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

import sqlalchemy as sa

from service.migrations import m0001_first, m0002_register, m0003_devices

MIGRATIONS: Mapping[int, Callable[[sa.Connection], None]] = {
    1: m0001_first.apply,
    2: m0002_register.apply,
    3: m0003_devices.apply,
}
