"""Binds the socket, prints the address and runs the server until it is stopped."""

from __future__ import annotations

import secrets
import socket
import sys
import threading

import uvicorn

from service.actions import Actions
from service.demo_gallery import make_missing_pictures
from service.errors import StoreError
from service.guard import Guard
from service.http import make_app


def serve_pages(actions: Actions, port: int, lan: bool) -> int:
    """Serve the page and the endpoint; ``port`` 0 takes a free one. Returns the exit code."""
    token = secrets.token_hex(10) if lan else None
    listener = _bind("0.0.0.0" if lan else "127.0.0.1", port)
    port = listener.getsockname()[1]
    app = make_app(actions)
    guard = Guard(app, token)
    app.state.guard = guard
    print(f"Rimlight is at http://127.0.0.1:{port}/  (stop with Ctrl-C)", flush=True)
    if token is not None:
        print(f"Pair a phone of this network: http://{_find_own_address()}:{port}/pair?token={token}")
        print("Whoever has this address can read and change the gallery until you stop.", flush=True)
    config = uvicorn.Config(
        guard, log_level="warning", access_log=False, server_header=False, date_header=True, lifespan="off"
    )
    stop = threading.Event()
    threading.Thread(target=make_missing_pictures, args=(actions, stop), daemon=True).start()
    try:
        uvicorn.Server(config).run(sockets=[listener])
    finally:
        stop.set()
    return 0


def _bind(host: str, port: int) -> socket.socket:
    listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    if sys.platform != "win32":  # there the option would let two servers share the port
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listener.bind((host, port))
    except OSError as error:
        listener.close()
        raise StoreError(
            f"Port {port} cannot be used ({error.strerror}): pick another with --port."
        ) from error
    return listener


def _find_own_address() -> str:
    """This machine's address on its network; nothing is sent."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))  # a documentation address (RFC 5737): only picks the interface
        except OSError:
            return socket.gethostname()
        return str(probe.getsockname()[0])
