"""``rimlight check``: the edge of the check of a data folder."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from service.settings import Settings

ALL_WELL, SOMETHING_LEFT = 0, 1


def add_check_parser(commands: Any, shared: argparse.ArgumentParser) -> None:
    """Teach the command line ``check``."""
    check = commands.add_parser(
        "check",
        parents=[shared],
        help="verify everything stored",
        description="Verifies every row, photo, strip and vector against each other. "
        "Exit code 0: all is well. 1: something is left to do. 2: the folder cannot be checked.",
    )
    check.add_argument("--repair", action="store_true", help="do what is safe: set aside, never delete")
    check.add_argument("--json", action="store_true", help="the report as JSON")


def check(given: argparse.Namespace, settings: Settings) -> int:
    """Check, print the report, and say by the exit code whether something is left."""
    from service.check import check_folder

    report = check_folder(settings.data_folder, given.repair, _show_progress)
    print(json.dumps(report.as_json()) if given.json else "\n".join(report.as_lines()))
    return ALL_WELL if report.is_well else SOMETHING_LEFT


def _show_progress(steps: list[Any], what: str) -> Iterable[Any]:
    if not steps:
        return steps
    from tqdm import tqdm

    shown: Iterable[Any] = tqdm(steps, desc=f"checking {what}", unit=what.rstrip("s"), file=sys.stderr)
    return shown
