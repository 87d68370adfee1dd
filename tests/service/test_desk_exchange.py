"""Out and in by the network: for the owner alone, looked at before anything comes in, undone as one."""

from __future__ import annotations

import asyncio
import os
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import httpx
import pytest

from service.actions import Actions
from service.exchange.arrivals import KEPT_S, Arrivals
from service.guard import Guard
from service.http import make_app
from service.register.demo_register import load_demo
from service.settings import MAX_JSON_BYTES
from service.store import Store, open_store
from service.worker import Started

OWNERS = [
    ("GET", "/exchange"),
    ("GET", "/api/exchange/archive"),
    ("GET", "/api/exchange/records"),
    ("GET", "/api/exchange/table.csv"),
    ("POST", "/api/exchange/archives"),
    ("POST", "/api/exchange/archives/x/merge"),
    ("DELETE", "/api/exchange/archives/x"),
]
ZIP = {"Content-Type": "application/zip"}
HOME, PHONE, ABROAD = "127.0.0.1", "192.0.2.7", "192.0.2.1"  # documentation addresses (RFC 5737)


class IdleWorker:
    """Stands where the reading process would."""

    def wait_ready(self) -> Started:
        return Started(None, "none here")


class InProcess(httpx.BaseTransport):
    """Asks an ASGI app as ``caller`` would over the network, without one."""

    def __init__(self, app: Any, caller: str) -> None:
        self._inner = httpx.ASGITransport(app=app, client=(caller, 5000), raise_app_exceptions=False)

    def handle_request(self, request: httpx.Request) -> httpx.Response:
        async def go() -> httpx.Response:
            sent = httpx.Request(request.method, request.url, headers=request.headers, content=request.read())
            answer = await self._inner.handle_async_request(sent)
            content = await answer.aread()
            return httpx.Response(answer.status_code, headers=answer.headers, content=content)

        return asyncio.run(go())


@dataclass
class Site:
    """A store of its own behind the guard, asked from the machine itself or by a guest's paired device."""

    store: Store
    home: httpx.Client
    guest: httpx.Client


def start(folder: Path) -> Site:
    store = open_store(folder)
    app = make_app(Actions(store, IdleWorker(), "test"))  # type: ignore[arg-type]
    guard = Guard(app, app.state.devices)
    token = app.state.devices.pair(app.state.devices.make_code(False).code, "guest", "pairing guest")[1]
    home = httpx.Client(transport=InProcess(guard, HOME), base_url=f"http://{HOME}:7446")
    headers = {"Authorization": f"Bearer {token}"}
    guest = httpx.Client(transport=InProcess(guard, PHONE), base_url=f"http://{ABROAD}:7446", headers=headers)
    return Site(store, home, guest)


@pytest.fixture()
def site(tmp_path: Path) -> Iterator[Site]:
    started = start(tmp_path / "mine")
    with started.store.writing() as tx:
        load_demo(tx, "test")
    yield started
    started.store.close()


@pytest.fixture()
def mine(site: Site) -> httpx.Client:
    return site.home


@pytest.fixture()
def theirs(tmp_path: Path) -> Iterator[httpx.Client]:
    started = start(tmp_path / "theirs")
    given = {"number": "T-1", "piece_kind": "cup", "note": "theirs"}
    started.home.post("/api/register/records/piece", json=given)
    yield started.home
    started.store.close()


def count(client: httpx.Client) -> int:
    return int(client.get("/api/register/search", params={"kind": "piece"}).json()["total"])


def test_an_archive_is_looked_into_comes_in_as_one_change_and_is_undone(
    mine: httpx.Client, theirs: httpx.Client
) -> None:
    archive = theirs.get("/api/exchange/archive").content
    before = count(mine)
    looked = mine.post("/api/exchange/archives", content=archive, headers=ZIP).json()
    assert looked["plan"]["new_records"] == 1
    assert count(mine) == before
    merged = mine.post(f"/api/exchange/archives/{looked['id']}/merge").json()
    assert count(mine) == before + 1
    assert mine.post(f"/api/exchange/archives/{looked['id']}/merge").status_code == 404  # it went
    mine.post("/api/undo", json={"change": merged["change"]})
    assert count(mine) == before


def test_what_is_no_archive_is_refused_by_a_name_that_the_sender_knows(site: Site) -> None:
    answer = site.home.post("/api/exchange/archives", content=b"no archive", headers=ZIP)
    assert answer.status_code == 422
    assert answer.json()["detail"].startswith("The file is not a whole archive")
    arrivals = site.store.folder / "arrivals"
    assert list(arrivals.iterdir()) == []


@pytest.mark.parametrize("name", ["..%2f..%2fetc", "x", "0" * 31, "0" * 32])
def test_only_archives_that_came_in_can_be_named(mine: httpx.Client, name: str) -> None:
    assert mine.post(f"/api/exchange/archives/{name}/merge").status_code == 404


def test_archives_that_nobody_came_back_for_go_in_a_day(tmp_path: Path) -> None:
    arrivals = Arrivals(tmp_path)
    old, out = arrivals.open_new()
    out.close()
    then = time.time() - KEPT_S - 60
    os.utime(arrivals.find(old), (then, then))
    fresh, out = arrivals.open_new()
    out.close()
    assert [path.stem for path in tmp_path.iterdir()] == [fresh]


def test_a_table_goes_out_and_comes_in_with_every_row_judged(
    mine: httpx.Client, theirs: httpx.Client
) -> None:
    table = theirs.get("/api/exchange/table.csv").content
    assert b"T-1" in table
    before = count(mine)
    judged = mine.post("/api/exchange/table/preview", files={"table": ("t.csv", table)}).json()
    assert [(row["number"], row["verdict"]) for row in judged["rows"]] == [("T-1", "new")]
    assert count(mine) == before
    taken = mine.post("/api/exchange/table", files={"table": ("t.csv", table)}).json()
    assert count(mine) == before + 1
    mine.post("/api/undo", json={"change": taken["change"]})
    assert count(mine) == before


def test_the_shared_table_and_records_hold_nothing_private(theirs: httpx.Client) -> None:
    given = {"private": {"seller": "Quiet Corner", "price": "4"}}
    theirs.patch("/api/register/records/piece/T-1", json=given)
    assert b"Quiet Corner" in theirs.get("/api/exchange/table.csv", params={"private": True}).content
    for address in (
        "/api/exchange/table.csv",
        "/api/exchange/records",
        "/api/exchange/records?form=json-ld",
        "/api/exchange/archive?share=true",
    ):
        answer = theirs.get(address)
        assert answer.status_code == 200
        assert b"Quiet Corner" not in answer.content, address


def test_a_guest_may_take_nothing_out_and_bring_nothing_in(site: Site) -> None:
    for method, path in OWNERS:
        assert site.guest.request(method, path).status_code == 403, path


def test_only_the_owner_may_send_more_than_a_photo(site: Site) -> None:
    much = b"x" * (MAX_JSON_BYTES + 1)
    assert (
        site.home.post("/api/exchange/archives", content=much, headers=ZIP).status_code == 422
    )  # read, no archive
    assert site.guest.post("/api/exchange/archives", content=much, headers=ZIP).status_code == 403
    assert site.home.post("/api/undo", content=much).status_code == 413


def test_a_repeated_request_with_one_key_comes_in_once(mine: httpx.Client, theirs: httpx.Client) -> None:
    archive = theirs.get("/api/exchange/archive").content
    sent = [
        mine.post(
            "/api/exchange/archives", content=archive, headers=ZIP | {"Idempotency-Key": "first"}
        ).json()
        for _ in range(2)
    ]
    assert sent[0] == sent[1]
    merge = f"/api/exchange/archives/{sent[0]['id']}/merge"
    merged = [mine.post(merge, headers={"Idempotency-Key": "second"}).json() for _ in range(2)]
    assert merged[0] == merged[1]
    assert merged[0]["change"]
    other = mine.post("/api/exchange/archives", content=b"PK", headers=ZIP | {"Idempotency-Key": "first"})
    assert (other.status_code, other.json()["title"]) == (422, "Idempotency-Key used before")
