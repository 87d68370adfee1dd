"""Who may ask what: host, origin, pairing, share of use, body size, and the headers on every answer.

Plain ASGI, outside the app, so that nothing of a refused request is parsed.
"""

from __future__ import annotations

import asyncio
import ipaddress
import socket
from collections.abc import Callable
from dataclasses import dataclass
from http.cookies import CookieError, SimpleCookie
from typing import Any
from urllib.parse import parse_qs, urlsplit

import anyio.to_thread
from starlette.datastructures import Headers, MutableHeaders
from starlette.exceptions import HTTPException
from starlette.responses import Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from service.caller import OWNER_KEY, THIS_MACHINE, Caller, set_caller
from service.devices import Devices
from service.errors import StoreError, TooMany
from service.pairing_page import STYLE_HASH, render_pairing
from service.problems import STATUS_TITLES, make_problem
from service.settings import MAX_ARCHIVE_BYTES, MAX_FORM_BYTES, MAX_JSON_BYTES, MAX_PHOTO_BYTES

COOKIE = "rimlight_pairing"
ARCHIVES = "/api/exchange/archives"
# A client in the middle of sending hears the refusal only if the rest of its body is taken; up to here.
MOST_DISCARDED_BYTES = 200_000_000
SILENCE_LIMIT_S = 30.0  # between two pieces of a body; a phone on weak radio pauses, it does not stop
READ_ONLY = ("GET", "HEAD", "OPTIONS")
# What an unpaired device may do: spend a code. Everything else needs the token that it buys.
PAIRING = (("POST", "/pair"), ("POST", "/api/devices"))
# A proxy in between would make the whole network look like this machine.
FORWARDING = ("forwarded", "x-forwarded-for", "x-forwarded-host", "x-real-ip", "via")
CONTENT_POLICY = (
    f"default-src 'none'; script-src 'self'; style-src 'self' {STYLE_HASH}; img-src 'self' blob:; "
    "connect-src 'self'; manifest-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)
HEADERS = {
    "Content-Security-Policy": CONTENT_POLICY,
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    # Not "no-referrer": under it browsers send forms of this very page with the origin "null".
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "geolocation=(), microphone=(), camera=(self)",
}
# Browsers heed it on this machine or over TLS only, and complain about it elsewhere.
LOCAL_HEADERS = {"Cross-Origin-Opener-Policy": "same-origin"}


@dataclass(frozen=True)
class Refusal:
    """Why a request is not let in."""

    status: int
    name: str
    detail: str
    wait_s: int | None = None


class Guard:
    """Wraps the app. Without ``devices`` only this machine is served."""

    def __init__(self, app: ASGIApp, devices: Devices | None = None) -> None:
        self._app = app
        self._devices = devices
        self._threads: anyio.CapacityLimiter | None = None

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return

        async def send_with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                local = _is_loopback(_caller_address(scope))
                for name, value in (HEADERS | (LOCAL_HEADERS if local else {})).items():
                    headers[name] = value
                headers.setdefault("Cache-Control", "no-store")
            await send(message)

        let_in = await self._let_in(scope)
        if isinstance(let_in, Refusal):
            await _answer_refusal(scope, let_in)(scope, receive, send_with_headers)
            return
        set_caller(scope, let_in)
        await self._app(scope, _limit_body(scope, receive), send_with_headers)

    async def _let_in(self, scope: Scope) -> Caller | Refusal:
        headers = Headers(scope=scope)
        local = _is_loopback(_caller_address(scope))
        refusal = self._check_host(scope, headers.get("host", ""), local) or _check_origin(scope, headers)
        if refusal is not None:
            return refusal
        if local and not any(name in headers for name in FORWARDING):
            return THIS_MACHINE
        return await self._check_device(scope, headers)

    def _check_host(self, scope: Scope, host: str, local: bool) -> Refusal | None:
        """A name that an outsider can point at this machine is no way in (DNS rebinding)."""
        name = _host_name(host)
        if name == "localhost" or _is_loopback(name):
            return None if local else Refusal(421, "host", "This address is only for the machine itself.")
        if self._devices is not None and (name == _own_address(scope) or name in _own_names()):
            return None
        return Refusal(421, "host", "Open rimlight by the address it printed, for example http://127.0.0.1.")

    async def _check_device(self, scope: Scope, headers: Headers) -> Caller | Refusal:
        devices = self._devices
        if devices is None:
            return Refusal(403, "loopback-only", "Only this machine is served; start with --lan to pair.")
        try:
            caller: Caller | None = await self._in_thread(devices.find_caller, _given_token(headers))
            if caller is not None and caller.device is not None:
                await self._in_thread(devices.charge, caller.device, _upload_bytes(scope, headers))
                await self._in_thread(devices.note_seen, caller.device)
        except TooMany as error:
            return Refusal(429, "too-many", str(error), error.wait_s)
        except StoreError as error:
            return Refusal(503, "store", str(error), 3)
        if caller is not None:
            return caller
        if (scope["method"], scope["path"]) in PAIRING:
            return Caller(device=None, name=None, is_owner=False)
        detail = "Pair this device first: open /pair and type the code that the terminal shows."
        return Refusal(401, "not-paired", detail)

    async def _in_thread(self, ask: Callable[..., Any], *arguments: object) -> Any:
        """Ask the store in threads of the guard's own: slow photos must not keep anybody at the door."""
        if self._threads is None:
            self._threads = anyio.CapacityLimiter(8)
        return await anyio.to_thread.run_sync(ask, *arguments, limiter=self._threads)


def _answer_refusal(scope: Scope, refusal: Refusal) -> Response:
    """A problem for programs; a browser that only lacks the pairing gets the page for it."""
    headers = {"Retry-After": str(refusal.wait_s)} if refusal.wait_s is not None else {}
    if refusal.status == 401:
        headers["WWW-Authenticate"] = 'Bearer realm="rimlight"'
        if scope["method"] == "GET" and "text/html" in Headers(scope=scope).get("accept", ""):
            code = parse_qs(scope["query_string"].decode("latin-1")).get("code", [""])[0]
            return render_pairing(401, code, headers=headers)
    title = STATUS_TITLES.get(refusal.status, "Refused")
    return make_problem(refusal.status, refusal.name, title, refusal.detail, headers)


def _given_token(headers: Headers) -> str | None:
    scheme, _, token = headers.get("authorization", "").partition(" ")
    if scheme.lower() == "bearer":
        return token.strip()
    try:
        morsel = SimpleCookie(headers.get("cookie", "")).get(COOKIE)
    except CookieError:
        return None
    return morsel.value if morsel is not None else None


def _check_origin(scope: Scope, headers: Headers) -> Refusal | None:
    """A page from elsewhere must neither write here on its visitor's behalf nor load what is here."""
    refusal = Refusal(403, "foreign-origin", "This request comes from another site and is refused.")
    origin = headers.get("origin")
    if origin is not None and _host_and_port(origin) != headers.get("host", "").lower():
        return refusal
    if headers.get("sec-fetch-site", "same-origin") not in ("same-origin", "none"):
        opens_page = (headers.get("sec-fetch-mode"), headers.get("sec-fetch-dest")) == (
            "navigate",
            "document",
        )
        follows_link = scope["method"] in READ_ONLY and opens_page
        return None if follows_link else refusal
    return None


def _host_and_port(origin: str) -> str | None:
    try:
        return urlsplit(origin).netloc.lower()
    except ValueError:
        return None


def _upload_bytes(scope: Scope, headers: Headers) -> int | None:
    """How much a request with a photo will send, None for any other; unsaid counts as the most."""
    if scope["method"] in READ_ONLY or not _is_form(headers):
        return None
    said = headers.get("content-length", "")
    return int(said) if said.isascii() and said.isdigit() else MAX_PHOTO_BYTES


def _is_form(headers: Headers) -> bool:
    return headers.get("content-type", "").lower().startswith("multipart/form-data")


def _caller_address(scope: Scope) -> str:
    return str(scope["client"][0]) if scope.get("client") else ""


def _own_address(scope: Scope) -> str:
    """The address of this machine that the request came in by."""
    server = scope.get("server")
    return str(server[0]).lower() if server else ""


def _host_name(host: str) -> str:
    try:
        return (urlsplit(f"//{host}").hostname or "").lower()
    except ValueError:
        return ""


def _is_address(name: str) -> bool:
    try:
        ipaddress.ip_address(name)
    except ValueError:
        return False
    return True


def _is_loopback(name: str) -> bool:
    return _is_address(name) and ipaddress.ip_address(name).is_loopback


def _own_names() -> set[str]:
    name = socket.gethostname().lower()
    return {name, f"{name.split('.')[0]}.local"}


def _limit_body(scope: Scope, receive: Receive) -> Receive:
    """Count the body while it streams in; too much is a 413 however long the client says it is."""
    headers = Headers(scope=scope)
    is_form = _is_form(headers)
    limit = MAX_PHOTO_BYTES + MAX_FORM_BYTES if is_form else MAX_JSON_BYTES
    if scope["path"] == ARCHIVES and scope.get(OWNER_KEY):
        limit = MAX_ARCHIVE_BYTES  # written down as it comes, never held in memory
    taken, complete = 0, False

    async def receive_counted() -> Message:
        nonlocal taken, complete
        if complete:
            return await receive()  # waits for the client to go; that may take as long as it likes
        try:
            message = await asyncio.wait_for(receive(), SILENCE_LIMIT_S)
        except TimeoutError:
            raise HTTPException(408, "The rest of the request did not come: send it again.") from None
        complete = not message.get("more_body", False)
        taken += len(message.get("body", b""))
        if taken <= limit:
            return message
        while message.get("more_body", False) and taken < MOST_DISCARDED_BYTES:
            message = await receive()
            taken += len(message.get("body", b""))
        what = f"A photo has at most {MAX_PHOTO_BYTES // 10**6} MB" if is_form else "The body is too long"
        raise HTTPException(413, f"{what}: send a smaller one.")

    return receive_counted
