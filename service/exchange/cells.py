"""Cells that no spreadsheet runs as a formula, and back: the guard is taken off again without loss.

Text that begins with ``= + - @``, tab or carriage return gets an apostrophe before it, as spreadsheets
themselves mark text; numbers are written plain.

References
----------
OWASP, "CSV Injection": the characters. RFC 4180 (Shafranovich 2005): quoting, which the ``csv`` module does.
"""

from __future__ import annotations

RUN_BY_SPREADSHEETS = ("=", "+", "-", "@", "\t", "\r")
GUARD = "'"


def guard_cell(text: str) -> str:
    """The text as it may stand in a cell."""
    return GUARD + text if _needs_guard(text) else text


def unguard_cell(cell: str) -> str:
    """The text that was guarded; an apostrophe that a person typed stays."""
    return cell[1:] if cell.startswith(GUARD) and _needs_guard(cell[1:]) else cell


def _needs_guard(text: str) -> bool:
    """A text that looks guarded already must be guarded too, or the guard would not come off rightly."""
    return text.lstrip(GUARD).startswith(RUN_BY_SPREADSHEETS)
