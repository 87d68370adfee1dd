"""``rimlight serve``: the edge of the server."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable
from contextlib import AbstractContextManager
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from service.actions import Actions
    from service.settings import Settings

WRONG_USE = 2


def add_serve_parser(commands: Any, shared: argparse.ArgumentParser) -> argparse.ArgumentParser:
    """Teach the command line ``serve``; returns its parser for what other commands take too."""
    serve: argparse.ArgumentParser = commands.add_parser(
        "serve", parents=[shared], help="start the phone page and the HTTP endpoint"
    )
    serve.add_argument("--port", type=_port, default=None, help="default: 7446; 0 picks a free one")
    serve.add_argument(
        "--lan",
        action="store_true",
        help="let paired phones of this network in; encrypted where `rimlight certificate` was run",
    )
    serve.add_argument("--cert", metavar="FILE", help="certificate (PEM): serve encrypted, with --key")
    serve.add_argument("--key", metavar="FILE", help="key of the certificate (PEM)")
    return serve


def serve(
    given: argparse.Namespace,
    settings: Settings,
    opened: Callable[..., AbstractContextManager[Actions]],
) -> int:
    """Serve until stopped."""
    from service.certificate import find_made
    from service.serve import serve_pages
    from service.serve_ways import Certificate
    from service.settings import DEFAULT_PORT

    if (given.cert is None) != (given.key is None):
        print("rimlight: --cert and --key belong together: give both or neither", file=sys.stderr)
        return WRONG_USE
    tls = Certificate(given.cert, given.key) if given.cert is not None else None
    port = DEFAULT_PORT if given.port is None else given.port
    with opened(settings, workers=given.workers) as actions:
        actions.who = "page"
        made = find_made(settings.data_folder) if given.lan and tls is None else None
        return serve_pages(actions, port, given.lan, tls, made)


def _port(text: str) -> int:
    port = int(text)
    if not 0 <= port <= 65535:
        raise argparse.ArgumentTypeError("a port lies in 0..65535")
    return port
