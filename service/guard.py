"""Who may ask what: host, origin, pairing token, body size, and the headers on every answer.

Plain ASGI, outside the app, so that nothing of a refused request is parsed.
"""

from __future__ import annotations

import hmac
import ipaddress
import socket
from dataclasses import dataclass
from http.cookies import CookieError, SimpleCookie
from urllib.parse import urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.exceptions import HTTPException
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from service.problems import STATUS_TITLES, make_problem
from service.settings import MAX_FORM_BYTES, MAX_JSON_BYTES, MAX_PHOTO_BYTES

COOKIE = "rimlight_pairing"
# A client in the middle of sending hears the refusal only if the rest of its body is taken; up to here.
MOST_DISCARDED_BYTES = 200_000_000
CONTENT_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob:; connect-src 'self'; "
    "manifest-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)
HEADERS = {
    "Content-Security-Policy": CONTENT_POLICY,
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Permissions-Policy": "geolocation=(), microphone=(), camera=(self)",
}


@dataclass(frozen=True)
class Refusal:
    """Why a request is not let in."""

    status: int
    name: str
    detail: str


class Guard:
    """Wraps the app. Without ``token`` only this machine is served."""

    def __init__(self, app: ASGIApp, token: str | None = None) -> None:
        self._app = app
        self._token = token

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return

        async def send_with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    headers[name] = value
                headers.setdefault("Cache-Control", "no-store")
            await send(message)

        refusal = self._find_refusal(scope)
        if refusal is not None:
            title = STATUS_TITLES.get(refusal.status, "Refused")
            answer = make_problem(refusal.status, refusal.name, title, refusal.detail, {})
            await answer(scope, receive, send_with_headers)
            return
        await self._app(scope, _limit_body(scope, receive), send_with_headers)

    def _find_refusal(self, scope: Scope) -> Refusal | None:
        headers = Headers(scope=scope)
        local = _is_loopback(scope["client"][0] if scope.get("client") else "")
        refusal = self._check_host(headers.get("host", ""), local)
        if refusal is None and scope["method"] not in ("GET", "HEAD", "OPTIONS"):
            refusal = _check_origin(headers)
        if refusal is None and not local:
            refusal = self._check_token(scope, headers)
        return refusal

    def _check_host(self, host: str, local: bool) -> Refusal | None:
        """A name that an outsider can point at this machine is no way in (DNS rebinding)."""
        name = _host_name(host)
        if name == "localhost" or _is_loopback(name):
            return None if local else Refusal(421, "host", "This address is only for the machine itself.")
        if self._token is not None and (_is_address(name) or name in _own_names()):
            return None
        return Refusal(421, "host", "Open rimlight by the address it printed, for example http://127.0.0.1.")

    def _check_token(self, scope: Scope, headers: Headers) -> Refusal | None:
        if self._token is None:
            return Refusal(403, "loopback-only", "Only this machine is served; start with --lan to pair.")
        if scope["path"] == "/pair":
            return None  # it checks the token itself
        if self.accepts(_given_token(headers)):
            return None
        detail = "Pair this device first: open the address with the token that the terminal shows."
        return Refusal(401, "not-paired", detail)

    def accepts(self, token: str | None) -> bool:
        """Whether this is the pairing token, compared in constant time; 80 random bits are not guessed."""
        if self._token is None or token is None:
            return False
        return hmac.compare_digest(token.encode(), self._token.encode())


def _given_token(headers: Headers) -> str | None:
    scheme, _, token = headers.get("authorization", "").partition(" ")
    if scheme.lower() == "bearer":
        return token.strip()
    try:
        morsel = SimpleCookie(headers.get("cookie", "")).get(COOKIE)
    except CookieError:
        return None
    return morsel.value if morsel is not None else None


def _check_origin(headers: Headers) -> Refusal | None:
    """A page from elsewhere must not write here on its visitor's behalf."""
    refusal = Refusal(403, "foreign-origin", "This request comes from another site and is refused.")
    origin = headers.get("origin")
    if origin is not None and urlsplit(origin).netloc.lower() != headers.get("host", "").lower():
        return refusal
    if headers.get("sec-fetch-site", "same-origin") not in ("same-origin", "none"):
        return refusal
    return None


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
    is_form = headers.get("content-type", "").startswith("multipart/form-data")
    limit = MAX_PHOTO_BYTES + MAX_FORM_BYTES if is_form else MAX_JSON_BYTES
    taken = 0

    async def receive_counted() -> Message:
        nonlocal taken
        message = await receive()
        taken += len(message.get("body", b""))
        if taken <= limit:
            return message
        while message.get("more_body", False) and taken < MOST_DISCARDED_BYTES:
            message = await receive()
            taken += len(message.get("body", b""))
        what = f"A photo has at most {MAX_PHOTO_BYTES // 10**6} MB" if is_form else "The body is too long"
        raise HTTPException(413, f"{what}: send a smaller one.")

    return receive_counted
