"""``rimlight demo``: an invented register to look at, and away again."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from contextlib import AbstractContextManager
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from service.actions import Actions
    from service.settings import Settings

Opened = Callable[..., AbstractContextManager["Actions"]]
DONE = 0


def add_demo_parser(commands: Any, shared: argparse.ArgumentParser) -> None:
    """Teach the command line ``demo``."""
    demo = commands.add_parser(
        "demo",
        parents=[shared],
        help="put an invented maker's register in, to look at; --remove takes it away",
    )
    demo.add_argument("--remove", action="store_true", help="take it away; what you added yourself stays")


def demo(given: argparse.Namespace, settings: Settings, opened: Opened) -> int:
    """Load or remove the demo register."""
    from service.register.demo_register import load_demo, remove_demo

    with opened(settings, reads=False) as actions, actions.store.writing() as tx:
        if given.remove:
            change = remove_demo(tx, "command line")
            print("The demo register is gone." if change else "There is no demo register here.")
        else:
            pieces, change = load_demo(tx, "command line")
            print(
                f"{pieces} pieces of an invented maker are in the register (change {change}). See `rimlight "
                "register grid` and `rimlight register conflicts`; `rimlight demo --remove` takes them away."
            )
    return DONE
