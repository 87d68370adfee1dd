"""Who is let in: host, origin, pairing; and the headers on every answer."""

from __future__ import annotations

import asyncio
import re
from collections.abc import Callable
from pathlib import Path

import httpx
import pytest
from starlette.applications import Starlette
from starlette.responses import PlainTextResponse
from starlette.routing import Route

from service.guard import COOKIE, Guard

TOKEN = "0123456789abcdef0123"


@pytest.mark.parametrize(
    "host", ["evil.example", "127.0.0.1.evil.example", "192.0.2.7", "", "localhost.evil", "[::"]
)
def test_a_foreign_host_is_refused(client: httpx.Client, host: str) -> None:
    assert client.get("/api/health", headers={"Host": host}).status_code in (400, 421)


@pytest.mark.parametrize("host", ["localhost", "LOCALHOST:80", "127.0.0.1", "[::1]:9"])
def test_a_local_host_needs_no_token(client: httpx.Client, host: str) -> None:
    assert client.get("/api/health", headers={"Host": host}).status_code == 200


@pytest.mark.parametrize(
    "headers",
    [
        {"Origin": "http://evil.example"},
        {"Origin": "null"},
        {"Origin": "http://127.0.0.1:1"},
        {"Sec-Fetch-Site": "cross-site"},
        {"Sec-Fetch-Site": "same-site"},
    ],
)
def test_a_write_from_another_site_is_refused(client: httpx.Client, headers: dict[str, str]) -> None:
    for method, address in (("POST", "/api/undo"), ("DELETE", "/api/gallery/x"), ("POST", "/api/readings")):
        answer = client.request(method, address, headers=headers)
        assert answer.status_code == 403
        assert answer.headers["content-type"] == "application/problem+json"


def test_the_pages_own_writes_are_let_in(client: httpx.Client, server) -> None:
    headers = {"Origin": server.url, "Sec-Fetch-Site": "same-origin"}
    assert client.delete("/api/gallery/none", headers=headers).status_code == 404


@pytest.mark.parametrize("address", ["/", "/api/health", "/nowhere", "/static/rimlight.css", "/openapi.json"])
def test_every_answer_has_the_safety_headers(client: httpx.Client, address: str) -> None:
    headers = client.get(address).headers
    policy = headers["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "unsafe" not in policy
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["referrer-policy"] == "no-referrer"
    assert "access-control-allow-origin" not in headers
    assert "server" not in headers


async def _ask(guard: Guard, caller: str, host: str, **more: object) -> int:
    transport = httpx.ASGITransport(app=guard, client=(caller, 5000))
    async with httpx.AsyncClient(transport=transport, base_url=f"http://{host}") as client:
        return (await client.request(str(more.pop("method", "GET")), "/x", **more)).status_code


def ask(guard: Guard, caller: str, host: str = "192.0.2.1:7446", **more: object) -> int:
    return asyncio.run(_ask(guard, caller, host, **more))


def make_guard(token: str | None) -> Guard:
    route = Route("/x", lambda request: PlainTextResponse("in"), methods=["GET", "POST"])
    return Guard(Starlette(routes=[route]), token)


PHONE = "192.0.2.7"


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({}, 401),
        ({"Authorization": "Bearer wrong"}, 401),
        ({"Authorization": "Bearer "}, 401),
        ({"Authorization": f"Basic {TOKEN}"}, 401),
        ({"Cookie": f"{COOKIE}=wrong"}, 401),
        ({"Cookie": "a=b; ???;;"}, 401),
        ({"Authorization": f"Bearer {TOKEN}"}, 200),
        ({"Cookie": f"x=1; {COOKIE}={TOKEN}"}, 200),
        ({"Authorization": f"Bearer {TOKEN}", "Host": "evil.example"}, 421),
        ({"Authorization": f"Bearer {TOKEN}", "Host": "localhost"}, 421),
    ],
)
def test_a_phone_of_the_network_needs_the_token(headers: dict[str, str], status: int) -> None:
    assert ask(make_guard(TOKEN), PHONE, headers=headers) == status


def test_without_lan_the_network_is_refused_whatever_it_sends() -> None:
    assert ask(make_guard(None), PHONE, headers={"Authorization": "Bearer None"}) == 421
    assert ask(make_guard(None), PHONE, host="localhost") == 421


def test_with_lan_this_machine_still_needs_no_token() -> None:
    assert ask(make_guard(TOKEN), "127.0.0.1", host="localhost:7446") == 200
    assert ask(make_guard(TOKEN), "127.0.0.1", host="evil.example") == 421


def test_a_paired_phone_cannot_be_used_by_another_site() -> None:
    headers = {"Cookie": f"{COOKIE}={TOKEN}", "Origin": "http://evil.example"}
    assert ask(make_guard(TOKEN), PHONE, method="POST", headers=headers) == 403


def test_the_real_server_prints_a_pairing_address_that_pairs(make_server: Callable, tmp_path: Path) -> None:
    running = make_server(tmp_path / "data", "--empty", "--lan")
    second_line = running.process.stdout.readline()
    token = re.search(r"/pair\?token=([0-9a-f]{20})$", second_line.strip()).group(1)
    with running.client() as client:
        assert client.get("/pair", params={"token": "0" * 20}).status_code == 403
        paired = client.get("/pair", params={"token": token})
        assert (paired.status_code, paired.headers["location"]) == (303, "/")
        cookie = paired.headers["set-cookie"].lower()
        assert f"{COOKIE}={token}" in cookie
        assert "httponly" in cookie
        assert "samesite=strict" in cookie
    running.stop()


def test_without_lan_there_is_nothing_to_pair_with(client: httpx.Client) -> None:
    assert client.get("/pair", params={"token": "None"}).status_code == 403
