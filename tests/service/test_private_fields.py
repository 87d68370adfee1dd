"""What is private reaches only the owner, by whatever route: every answer is searched for marked words."""

from __future__ import annotations

import asyncio
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest

from service.actions import Actions
from service.allowance import Allowance
from service.devices import Devices
from service.guard import Guard
from service.http import make_app
from service.register.records import KINDS
from service.register.register_actions import Register
from service.store import open_store
from service.worker import Started, Worker

MARK = "zanzibarite"  # a word that nothing else says
PRIVATE = {"price": "88123.45", "seller": f"{MARK} seller", "place": f"{MARK} place"}
SECRETS = (MARK, "88123.45", "88123")
PHONE, BASE = "192.0.2.7", "http://192.0.2.1:7446"  # documentation addresses (RFC 5737)


class IdleWorker(Worker):
    """No photo is read here."""

    def wait_ready(self) -> Started:
        return Started(None, "none here")


class Desk:
    """The app as two devices see it."""

    def __init__(self, folder: Path) -> None:
        self.store = open_store(folder)
        register = Register(self.store, "test")
        register.add_record("maker", {"name": "Velderby Works"})
        register.add_record("motif", {"name": "Marram"})
        piece = {"number": "7", "piece_kind": "cup", "maker": "Velderby Works", "title": "a cup"}
        decoration = {"motif": "Marram", "number": "OS-114", "metal": "gold"}
        self.piece_id = register.add_record(
            "piece", piece | {"private": PRIVATE, "decorations": [decoration]}
        )["record"]["id"]
        register.add_record("piece", {"number": "8", "piece_kind": "cup", "decorations": [decoration]})
        register.correct_record("piece", "7", {"title": "a small cup"})
        register.add_record("want", {"motif": "Marram"})
        self.app = make_app(Actions(self.store, IdleWorker(), "test"))
        devices: Devices = self.app.state.devices
        devices._requests = Allowance(1e9, 1e9)  # so many questions at once are this test's alone
        self.guard = Guard(self.app, devices)
        self.tokens = {
            is_owner: devices.pair(devices.make_code(is_owner).code, "x", str(is_owner))[1]
            for is_owner in (False, True)
        }

    def ask(self, is_owner: bool, method: str, path: str, **more: Any) -> httpx.Response:
        async def go() -> httpx.Response:
            transport = httpx.ASGITransport(app=self.guard, client=(PHONE, 5000))
            headers = {"Authorization": f"Bearer {self.tokens[is_owner]}"}
            async with httpx.AsyncClient(transport=transport, base_url=BASE, headers=headers) as client:
                return await client.request(method, path, **more)

        return asyncio.run(go())

    def list_addresses(self) -> list[str]:
        """Every address that can be looked at, with every kind and id filled in."""
        found = set()
        for route in self.app.routes:
            if "GET" not in (getattr(route, "methods", None) or ()):
                continue
            for kind in KINDS if "{kind}" in route.path else ("",):
                for which in ("7", self.piece_id) if "{which" in route.path else ("",):
                    path = route.path.replace("{kind}", kind)
                    path = re.sub(r"\{which[^}]*\}", which, path)
                    found.add(re.sub(r"\{[^}]+\}", "x", path))
        return sorted(found)


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Desk]:
    made = Desk(tmp_path_factory.mktemp("private") / "data")
    yield made
    made.store.close()


QUERIES = (
    "",
    f"?q={MARK}",
    f"?query={MARK}",
    "?piece=7",
    "?pieces=7",
    f"?text={MARK}",
    "?which=7",
    "?title=t&pieces=7",
)


def test_a_guests_answers_hold_nothing_private(desk: Desk) -> None:
    looked = 0
    for address in desk.list_addresses():
        for query in QUERIES:
            answer = desk.ask(False, "GET", address + query)
            said = answer.text.replace(query.removeprefix("?"), "")
            for secret in SECRETS if MARK not in query else SECRETS[1:]:
                assert secret not in said, (address + query, secret)
            looked += answer.status_code == 200
    assert looked > 60


def test_a_guest_cannot_find_a_piece_by_what_is_private(desk: Desk) -> None:
    for word in (MARK, "88123.45"):
        found = desk.ask(True, "GET", "/api/register/search", params={"q": word, "private": "true"})
        assert desk.piece_id in found.text  # the words are there to be found
        for asked in ({"q": word}, {"q": word, "private": "true"}):
            assert desk.piece_id not in desk.ask(False, "GET", "/api/register/search", params=asked).text


def test_only_the_owner_may_ask_for_what_is_private(desk: Desk) -> None:
    for address in ("/api/register/records/piece/7", "/api/register/search?q=cup"):
        asked = address + ("&" if "?" in address else "?") + "private=true"
        assert desk.ask(False, "GET", asked).status_code == 403
        assert desk.ask(True, "GET", asked).status_code == 200
    assert MARK in desk.ask(True, "GET", "/api/register/records/piece/7?private=true").text


@pytest.mark.parametrize(
    ("method", "path", "body"),
    [
        ("PATCH", "/api/register/records/piece/7", {"title": "a cup again"}),
        ("PATCH", "/api/register/records/piece/7", {"private": {"price": "1"}}),
        ("PATCH", "/api/register/records/piece/7", {"private": None}),
        (
            "POST",
            "/api/register/records/piece",
            {"number": "9", "piece_kind": "cup", "private": {"price": "1"}},
        ),
        ("POST", "/api/register/merges", {"keep": "8", "drop": "7"}),
        ("POST", "/api/undo", {}),
        ("DELETE", "/api/register/records/piece/7", None),
        ("POST", "/api/undo", {}),
    ],
)
def test_a_guests_writes_show_and_change_nothing_private(
    desk: Desk, method: str, path: str, body: dict[str, Any] | None
) -> None:
    answer = desk.ask(False, method, path, json=body)
    for secret in SECRETS:
        assert secret not in answer.text, answer.text
    if body is not None and "private" in body:
        assert answer.status_code in (403, 422)


def test_after_all_that_the_private_words_are_still_there(desk: Desk) -> None:
    found = desk.ask(True, "GET", "/api/register/search", params={"q": MARK, "private": "true"})
    assert desk.piece_id in found.text
