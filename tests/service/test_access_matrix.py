"""Every route of the app against every kind of caller: made from the app's own list, so none is forgotten."""

from __future__ import annotations

import asyncio
import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

import httpx
import pytest
from fastapi import FastAPI

from service.actions import Actions
from service.devices import Devices
from service.guard import COOKIE, PAIRING, Guard
from service.http import make_app
from service.store import open_store
from service.worker import Started

HOME, PHONE = "127.0.0.1", "192.0.2.7"  # a documentation address (RFC 5737)
HERE, ABROAD = "http://127.0.0.1:7446", "http://192.0.2.1:7446"


class IdleWorker:
    """Stands where the reading process would; no case gets as far as reading a photo."""

    def wait_ready(self) -> Started:
        return Started(None, "none here")


@dataclass
class Site:
    """An app on a store of its own, with one good token, one owner's and one revoked."""

    app: FastAPI
    guard: Guard
    closed: Guard  # as served without --lan
    token: str
    owner: str
    revoked: str
    routes: list[tuple[str, str]] = field(default_factory=list)


def list_routes(app: FastAPI) -> list[tuple[str, str]]:
    """Method and an address of every route, the static files and the unknown address with them."""
    found = []
    for route in app.routes:
        path = re.sub(r"\{[^}]+\}", "x", route.path)
        if not getattr(route, "methods", None):  # a mount
            found.append(("GET", f"{path}/rimlight.css"))
        found += [(method, path) for method in sorted(getattr(route, "methods", None) or ())]
    return sorted({*found, ("GET", "/nowhere"), ("POST", "/nowhere"), ("OPTIONS", "/api/gallery")})


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Site]:
    store = open_store(tmp_path_factory.mktemp("matrix") / "data")
    app = make_app(Actions(store, IdleWorker(), "test"))  # type: ignore[arg-type]
    devices: Devices = app.state.devices
    tokens = {}
    for name, is_owner in (("good", False), ("owner", True), ("revoked", False)):
        tokens[name] = devices.pair(devices.make_code(is_owner).code, name, f"pairing {name}")[1]
    devices.revoke("revoked")
    site = Site(app, Guard(app, devices), Guard(app), tokens["good"], tokens["owner"], tokens["revoked"])
    site.routes = list_routes(app)
    yield site
    store.close()


def ask(
    guard: Guard, caller: str, base: str, method: str, path: str, headers: dict[str, str]
) -> httpx.Response:
    async def go() -> httpx.Response:
        transport = httpx.ASGITransport(app=guard, client=(caller, 5000), raise_app_exceptions=False)
        async with httpx.AsyncClient(transport=transport, base_url=base) as client:
            body: dict[str, Any] = {"content": b"{}"} if method in ("POST", "PUT", "PATCH") else {}
            json = {"Content-Type": "application/json"} if body else {}
            return await client.request(method, path, headers=json | headers, **body)

    return asyncio.run(go())


def bearer(token: str) -> dict[str, str]:
    return {"Authorization": f"Bearer {token}"}


# A caller: what it sends beside the request, and the statuses that keep it out; none means "let in".
def loopback_callers(site: Site) -> dict[str, tuple[dict[str, str], set[int]]]:
    return {
        "no token": ({}, set()),
        "wrong token": (bearer("x.wrong"), set()),
        "revoked": (bearer(site.revoked), set()),
        "foreign Host": ({"Host": "evil.example"}, {421}),
        "foreign Origin": ({"Origin": "http://evil.example"}, {403}),
        "cross-site form": (CROSS_SITE_FORM, {403}),
    }


CROSS_SITE_FORM = {
    "Origin": "http://evil.example",
    "Sec-Fetch-Site": "cross-site",
    "Sec-Fetch-Mode": "navigate",
    "Sec-Fetch-Dest": "document",
    "Content-Type": "application/x-www-form-urlencoded",
}


def network_callers(site: Site) -> dict[str, tuple[dict[str, str], set[int]]]:
    cookie = {"Cookie": f"{COOKIE}={site.token}"}
    return {
        "no token": ({}, {401}),
        "no token, a browser": ({"Accept": "text/html"}, {401}),
        "wrong token": (bearer("x.wrong"), {401}),
        "another's token half": (bearer(site.token.split(".")[0] + ".x"), {401}),
        "wrong cookie": ({"Cookie": f"{COOKIE}=x.wrong"}, {401}),
        "revoked": (bearer(site.revoked), {401}),
        "revoked cookie": ({"Cookie": f"{COOKIE}={site.revoked}"}, {401}),
        "foreign Host": (bearer(site.token) | {"Host": "evil.example"}, {421}),
        "another address as Host": (bearer(site.token) | {"Host": "192.0.2.99"}, {421}),
        "local Host": (bearer(site.token) | {"Host": "localhost"}, {421}),
        "foreign Origin": (cookie | {"Origin": "http://evil.example"}, {403}),
        "cross-site form": (cookie | CROSS_SITE_FORM, {403}),
        "cross-site form, old browser": (cookie | {"Origin": "null"}, {403}),
        "good token": (bearer(site.token), set()),
        "good cookie": (cookie, set()),
    }


KEPT_OUT = {401, 421, 429}


def check(answer: httpx.Response, expected: set[int], where: str) -> None:
    if expected:
        assert answer.status_code in expected, (where, answer.status_code)
        assert "evil" not in answer.text
    else:
        assert answer.status_code not in KEPT_OUT, (where, answer.status_code)
        assert answer.status_code < 500, (where, answer.text)


def test_the_list_holds_every_route_known_today(site: Site) -> None:
    listed = set(site.routes)
    for known in (
        ("POST", "/api/readings"),
        ("DELETE", "/api/gallery/x"),
        ("POST", "/api/undo"),
        ("GET", "/"),
    ):
        assert known in listed
    assert len(listed) > 25


def test_on_the_machine_itself(site: Site) -> None:
    for method, path in site.routes:
        for name, (headers, expected) in loopback_callers(site).items():
            answer = ask(site.guard, HOME, HERE, method, path, headers)
            check(answer, expected, f"{method} {path}, {name}")


def test_from_the_network(site: Site) -> None:
    for method, path in site.routes:
        for name, (headers, expected) in network_callers(site).items():
            answer = ask(site.guard, PHONE, ABROAD, method, path, headers)
            if (method, path) in PAIRING and expected == {401}:
                # The one way in: without a right code it is refused too.
                assert answer.status_code in (403, 422, 429), (name, answer.status_code)
            else:
                check(answer, expected, f"{method} {path}, {name}")


def test_without_lan_nothing_is_let_in_from_the_network(site: Site) -> None:
    for method, path in site.routes:
        for headers in ({}, bearer(site.token), {"Host": "localhost"}):
            assert ask(site.closed, PHONE, ABROAD, method, path, headers).status_code == 421


OWNERS = [
    ("GET", "/devices"),
    ("GET", "/api/devices"),
    ("DELETE", "/api/devices/x"),
    ("POST", "/api/devices/codes"),
]


@pytest.mark.parametrize(("method", "path"), OWNERS)
def test_devices_are_the_owners_business(site: Site, method: str, path: str) -> None:
    assert ask(site.guard, PHONE, ABROAD, method, path, bearer(site.token)).status_code == 403
    assert ask(site.guard, PHONE, ABROAD, method, path, bearer(site.owner)).status_code not in (401, 403)
    assert ask(site.guard, HOME, HERE, method, path, {}).status_code not in (401, 403)


def test_a_refused_caller_learns_nothing_of_what_there_is(site: Site) -> None:
    """An unpaired device cannot tell an existing route from one that does not exist."""
    answers = {
        ask(site.guard, PHONE, ABROAD, "GET", path, {}).text
        for path in ("/api/gallery", "/nowhere", "/api/x")
    }
    assert len(answers) == 1
