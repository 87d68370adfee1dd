"""``rimlight model``: the network and the head fitted on one's own gallery."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Callable, Iterable
from contextlib import AbstractContextManager
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from service.actions import Actions
    from service.settings import Settings

DONE, REFUSED = 0, 1


def add_model_parser(commands: Any, shared: argparse.ArgumentParser) -> None:
    """Teach the command line ``model`` with what can be done about it."""
    model = commands.add_parser(
        "model",
        parents=[shared],
        help="the network, and a head fitted on one's own gallery",
        description="A head is fitted on an export of the gallery by `python -m training.tune`. It is taken "
        "on only where it finds more of this gallery's own photos, one piece left out at a time.",
    )
    what = model.add_subparsers(dest="what", required=True, metavar="WHAT")
    show = what.add_parser("show", parents=[shared], help="what is in use")
    show.add_argument("--json", action="store_true")
    adopt = what.add_parser("adopt", parents=[shared], help="judge a head, and take it on if it is better")
    adopt.add_argument("file", metavar="FILE")
    what.add_parser(
        "rollback", parents=[shared], help="give the head back: what served before it serves again"
    )
    what.add_parser("rebuild", parents=[shared], help="make all vectors anew from the stored photos")


def model(
    given: argparse.Namespace,
    settings: Settings,
    opened: Callable[..., AbstractContextManager[Actions]],
) -> int:
    """Do what is asked; 1 where a head is refused."""
    with opened(settings) as actions:
        from service.own_model import ModelRefused, OwnModel

        own = OwnModel(actions)
        try:
            if given.what == "show":
                return _show(own.show(), given.json)
            if given.what == "adopt":
                return _adopt(own, given.file)
            if given.what == "rollback":
                back = own.roll_back()
                serves = f"head {back['head']}" if back["head"] else "the vectors as shipped"
                print(f"head {back['given_back']} was given back; {serves} serve again.")
                return DONE
            done = own.rebuild(_show_progress)
            print(f"The vectors of {done['rebuilt']} photos were made anew.")
            return DONE
        except ModelRefused as error:
            print(f"rimlight: {error}", file=sys.stderr)
            return REFUSED


def _adopt(own: Any, name: str) -> int:
    try:
        text = Path(name).read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        print(f"rimlight: {name} cannot be read ({error})", file=sys.stderr)
        return REFUSED
    answer = own.adopt(text, _show_progress)
    score = answer["score"]
    print(
        f"Head {answer['id']} is in use: with one piece left out it finds {score['found_first']:.1%} of "
        f"{score['asked']} photos first, before {score['found_first_in_use']:.1%}. "
        "`rimlight model rollback` takes it back."
    )
    return DONE


def _show(state: dict[str, Any], as_json: bool) -> int:
    if as_json:
        print(json.dumps(state))
        return DONE
    print(f"network  {state['recipe_id'] or 'none: ' + str(state['problem'])}")
    head = state["head"]
    if head is None:
        print("head     none: vectors are used as shipped")
    else:
        score = head["score"]
        print(f"head     {head['id']}, taken on {head['adopted_at'][:16]} UTC")
        print(
            f"         {score['found_first']:.1%} of {score['asked']} photos found first with their piece "
            f"left out, {score['found_first_in_use']:.1%} before"
        )
    if state["unfit"]:
        print(f"         head {state['unfit']} belongs to other weights and is not used: fit a new one")
    if state["damaged"]:
        print(f"         {state['damaged']} It is not used: `rimlight model rollback`")
    if state["stale"]:
        print(f"stale    {state['stale']} photo(s) wait for vectors of this network")
    if state["rebuild_unfinished"]:
        print("rebuild  was cut short: `rimlight model rebuild` goes on where it stopped")
    return DONE


def _show_progress(steps: list[Any], what: str) -> Iterable[Any]:
    from tqdm import tqdm

    shown: Iterable[Any] = tqdm(steps, desc=what, unit="photo", file=sys.stderr)
    return shown
