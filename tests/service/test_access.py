"""Who is let in on the machine itself: host, origin; and the headers on every answer."""

from __future__ import annotations

import asyncio
import http.client
import socket
from collections.abc import Callable
from pathlib import Path

import httpx
import pytest
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import PlainTextResponse
from starlette.routing import Route

from service.guard import Guard


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
        {"Origin": "http://[::"},
        {"Sec-Fetch-Site": "cross-site"},
        {"Sec-Fetch-Site": "same-site"},
        {"Sec-Fetch-Site": "cross-site", "Sec-Fetch-Mode": "navigate", "Sec-Fetch-Dest": "document"},
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


def test_a_link_from_another_site_opens_but_nothing_loads_into_that_site(client: httpx.Client) -> None:
    link = {"Sec-Fetch-Site": "cross-site", "Sec-Fetch-Mode": "navigate", "Sec-Fetch-Dest": "document"}
    assert client.get("/gallery", headers=link).status_code == 200
    for way in ({"Sec-Fetch-Mode": "no-cors", "Sec-Fetch-Dest": "image"}, {"Sec-Fetch-Dest": "iframe"}):
        assert client.get("/gallery", headers=link | way).status_code == 403


@pytest.mark.parametrize("name", ["X-Forwarded-For", "Forwarded", "Via", "X-Real-IP"])
def test_what_a_proxy_passes_on_is_not_taken_for_this_machine(client: httpx.Client, name: str) -> None:
    answer = client.get("/api/health", headers={name: "127.0.0.1"})
    assert answer.status_code == 403
    assert "--lan" in answer.json()["detail"]


@pytest.mark.parametrize("address", ["/", "/api/health", "/nowhere", "/static/rimlight.css", "/openapi.json"])
def test_every_answer_has_the_safety_headers(client: httpx.Client, address: str) -> None:
    headers = client.get(address).headers
    policy = headers["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "unsafe" not in policy
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["referrer-policy"] == "same-origin"
    assert headers["cross-origin-resource-policy"] == "same-origin"
    assert headers["cross-origin-opener-policy"] == "same-origin"
    assert "access-control-allow-origin" not in headers
    assert "server" not in headers


def test_by_default_only_the_machine_itself_can_connect(server) -> None:
    outside = _own_network_address()
    if outside is None:
        pytest.skip("this machine has no network address")
    port = int(server.url.rsplit(":", 1)[1])
    with pytest.raises(OSError), socket.create_connection((outside, port), timeout=5):
        pass


def test_over_the_real_network_address_a_program_pairs_and_is_let_in(
    make_server: Callable, tmp_path: Path, rimlight: Callable
) -> None:
    outside = _own_network_address()
    if outside is None:
        pytest.skip("this machine has no network address")
    data = tmp_path / "data"
    running = make_server(data, "--empty", "--lan")
    base = f"http://{outside}:{running.url.rsplit(':', 1)[1]}"
    with httpx.Client(base_url=base, timeout=60) as phone:
        assert phone.get("/api/health").status_code == 401
        shown = rimlight("devices", "pair", "--data", data)
        assert shown.returncode == 0, shown.stderr
        code = shown.stdout.split("code=")[1].split()[0]
        paired = phone.post("/api/devices", json={"code": code, "name": "Shelf scanner"})
        assert paired.status_code == 201
        key = {"Authorization": f"Bearer {paired.json()['token']}"}
        assert phone.get("/api/health", headers=key).status_code == 200
        assert "Shelf scanner" in rimlight("devices", "--data", data).stdout
        assert rimlight("devices", "revoke", "shelf SCANNER", "--data", data).returncode == 0
        assert phone.get("/api/health", headers=key).status_code == 401
    assert "No device is paired" in rimlight("devices", "--data", data).stdout


def _own_network_address() -> str | None:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))  # a documentation address (RFC 5737); nothing is sent
        except OSError:
            return None
        address = str(probe.getsockname()[0])
    return None if address.startswith(("127.", "0.")) else address


@pytest.mark.parametrize(
    "address",
    [
        "/static/../guard.py",
        "/static/%2e%2e/%2e%2e/guard.py",
        "/static/..%2f..%2fguard.py",
        "/static//etc/passwd",
        "/static/%00",
        "/api/readings/..%2f..%2frimlight.sqlite3/photo.jpg",
        "/api/gallery/%2e%2e/photo.jpg",
        "/readings/..%5c..%5crimlight.sqlite3",
    ],
)
def test_no_address_leads_out_of_what_is_served(server, address: str) -> None:
    host, port = server.url.removeprefix("http://").split(":")
    connection = http.client.HTTPConnection(host, int(port), timeout=60)  # sends the address as it is
    connection.request("GET", address)
    answer = connection.getresponse()
    assert answer.status == 404
    body = answer.read()
    connection.close()
    assert b"Traceback" not in body and b"SQLite format" not in body and b"root:" not in body


def test_a_body_that_stops_coming_ends_the_request(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("service.guard.SILENCE_LIMIT_S", 0.05)

    async def read_all(request: Request) -> PlainTextResponse:
        return PlainTextResponse(f"{len(await request.body())}")

    guard = Guard(Starlette(routes=[Route("/", read_all, methods=["POST"])]))
    sent: list[dict] = []

    async def never() -> dict:
        await asyncio.sleep(60)
        return {"type": "http.request"}

    async def send(message: dict) -> None:
        sent.append(message)

    scope = {"type": "http", "method": "POST", "path": "/", "query_string": b"", "client": ("127.0.0.1", 5)}
    asyncio.run(guard(scope | {"headers": [(b"host", b"localhost")]}, never, send))
    assert sent[0]["status"] == 408
