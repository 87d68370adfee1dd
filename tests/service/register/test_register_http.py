"""The register over the real server: from a photo to a piece, and everything that can be asked of it."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import httpx
import pytest

RECORDS = "/api/register/records"
VIEWS = (
    "grid",
    "timeline",
    "order",
    "spread",
    "overlaps",
    "news",
    "conflicts",
    "wants",
    "duplicates",
    "partners",
)


@pytest.fixture()
def desk(make_server: Callable, tmp_path: Path) -> Iterator[httpx.Client]:
    running = make_server(tmp_path / "data", "--empty")
    with running.client() as client:
        yield client
    running.stop()


def add(client: httpx.Client, record_kind: str, **fields: object) -> dict[str, Any]:
    answer = client.post(f"{RECORDS}/{record_kind}", json=fields)
    assert answer.status_code == 201, answer.text
    assert client.get(answer.headers["location"]).status_code == 200
    return answer.json()


def fill(client: httpx.Client) -> None:
    add(client, "maker", name="Velderby Works", years="1900/1960")
    for name in ("Osmer", "Brindlow"):
        add(client, "line", name=name, maker="Velderby Works", years="1932/1937")
    add(client, "motif", name="Quern Leaf", aliases=["Wheel"])
    seen = {"motif": "Quern Leaf", "metal": "silver", "number": "OS-114"}
    private = {"price": "four pounds", "seller": "Mrs Hale", "place": "barn"}
    mark = {"transcription": "VELD[...]", "technique": "printed"}
    piece = {"number": "12", "piece_kind": "cup", "line": "Osmer", "private": private, "kept_at": "attic"}
    add(client, "piece", **piece, decorations=[seen], marks=[mark])
    other = {"motif": "Quern Leaf", "metal": "gold", "number": "OS-114"}
    add(client, "piece", number="13", piece_kind="saucer", line="Brindlow", decorations=[other])
    add(client, "evidence", about="piece 12", kind="advertisement", citation="Trade paper", date="1941")
    add(client, "want", motif="Wheel", metal="gold", piece_kind="tureen")


def test_what_is_recorded_is_found_shown_and_printed(desk: httpx.Client) -> None:
    fill(desk)
    hits = desk.get("/api/register/search", params={"q": "silver os114"}).json()
    assert [hit["label"] for hit in hits["items"]] == ["12"]
    narrowed = {"q": "", "motif": "wheel", "metal": "gold"}
    assert desk.get("/api/register/search", params=narrowed).json()["items"][0]["label"] == "13"
    piece = desk.get(f"{RECORDS}/piece/12").json()
    assert piece["line"] == "Osmer"
    assert piece["decorations"][0]["metal"] == "platinum"
    assert piece["bracket"]["status"] == "conflict"
    assert "Trade paper" in piece["bracket"]["sentence"]
    answers = {view: desk.get(f"/api/register/{view}") for view in VIEWS}
    assert {view: answer.status_code for view, answer in answers.items()} == dict.fromkeys(VIEWS, 200)
    assert {cell["metal"] for cell in answers["grid"].json()["cells"]} == {"gold", "platinum"}
    assert answers["overlaps"].json()["items"][0]["metals_differ"] is True
    kinds = {conflict["kind"] for conflict in answers["conflicts"].json()["items"]}
    assert "date outside the line's years" in kinds
    assert answers["wants"].json()["items"][0]["missing"] == 1
    for view in ("grid.svg", "timeline.svg", "timeline.svg?by=line", "spread.svg"):
        picture = desk.get(f"/api/register/{view}")
        assert picture.headers["content-type"] == "image/svg+xml"
        assert picture.text.startswith("<svg")
    label = desk.get("/api/register/labels/12", params={"form": "text"}).text
    assert "platinum type" in label
    sheet = desk.get("/api/register/sheet", params={"pieces": "12, 13", "title": "Two metals"})
    assert sheet.headers["content-disposition"] == 'attachment; filename="sheet.html"'
    assert "Two metals" in sheet.text


def test_numbers_and_date_codes_are_read_by_the_rules_written_here(desk: httpx.Client) -> None:
    fill(desk)
    assert desk.get("/api/register/numbers?number=OS-114").json()["meanings"] == []
    add(desk, "number_rule", prefix="OS", maker="Velderby Works", line="Osmer", source="Own list")
    add(desk, "date_code_rule", code="K", means="1935", maker="Velderby Works", source="Own list")
    number = desk.get("/api/register/numbers", params={"number": "os 114", "maker": "velderby works"}).json()
    assert "Osmer" in number["meanings"][0]["sentence"]
    assert "Own list" in number["meanings"][0]["sentence"]
    assert desk.get("/api/register/date-codes?code=k").json()["meanings"][0]["date"] == "1935"
    kinds = {conflict["kind"] for conflict in desk.get("/api/register/conflicts").json()["items"]}
    assert "number against the line" in kinds  # piece 13 has an OS number and is recorded as Brindlow


def test_price_seller_and_place_are_left_out_unless_asked_for(desk: httpx.Client) -> None:
    fill(desk)
    secrets = ("four pounds", "Mrs Hale", "barn")
    addresses = [
        f"{RECORDS}/piece",
        f"{RECORDS}/piece/12",
        "/api/register/search?q=12",
        "/api/register/changes",
    ]
    addresses += ["/api/register/labels/12?form=html", "/api/register/sheet?pieces=12"]
    addresses += [f"/api/register/{view}" for view in VIEWS]
    for address in addresses:
        text = desk.get(address).text
        assert not any(secret in text for secret in secrets), address
    assert desk.get(f"{RECORDS}/piece/12?private=true").json()["private"]["seller"] == "Mrs Hale"
    assert desk.get("/api/register/search?q=hale").json()["total"] == 0
    assert desk.get("/api/register/search?q=hale&private=true").json()["total"] == 1


def test_from_a_photo_to_a_piece_and_back(
    desk: httpx.Client, drop_plate: bytes, star_plate: bytes, plates: Callable
) -> None:
    readings = [
        desk.post("/api/readings", files={"photo": photo}).json()["id"]
        for photo in (drop_plate, plates("drop", turn_deg=5), star_plate)
    ]
    for reading, motif in zip(readings, ("Pip Row", "Pip Row", "Corbel Star"), strict=True):
        labels = {"motif": motif, "metal": "gold", "decoration_number": "OS-114"}
        assert desk.post(f"/api/readings/{reading}/confirmation", json=labels).status_code == 201
    first, second, third = readings
    news = desk.get(f"/api/register/readings/{third}/news").json()
    assert "not in this register" in news["news"][0]["sentence"]
    mark = desk.get(f"/api/register/readings/{third}/mark").json()
    assert "suggestion" in mark["caution"]
    assert mark["text"] or mark["reason"]
    asked = desk.get("/api/register/owned", params={"reading": first}).json()
    assert asked["verdict"] in ("unlikely", "cannot tell")
    address = "/api/register/readings/{}/piece"
    new = {"answer": asked["answer"], "piece": {"piece_kind": "plate", "kept_at": "attic"}}
    made = desk.post(address.format(first), json=new, headers={"Idempotency-Key": "made"})
    assert made.status_code == 201, made.text
    again = desk.post(address.format(first), json=new, headers={"Idempotency-Key": "made"})
    assert again.json() == made.json()
    number = made.json()["record"]["number"]
    asked = desk.get("/api/register/owned", params={"reading": second}).json()
    if asked["verdict"] != "cannot tell":
        near = asked["candidates"][0]
        assert near["label"] == number
        assert desk.get(near["pictures"]["thumbnail"]).headers["content-type"] == "image/jpeg"
    stale = desk.post(address.format(second), json={"answer": "x", "joins": number})
    assert stale.status_code == 409
    joined = desk.post(address.format(second), json={"answer": asked["answer"], "joins": number})
    assert joined.status_code == 201, joined.text
    piece = desk.get(f"{RECORDS}/piece/{number}").json()
    assert [photo["reading_id"] for photo in piece["photos"]] == [first, second]
    assert len(piece["decorations"]) == 1
    asked = desk.get("/api/register/owned", params={"reading": third}).json()
    kept = desk.post(address.format(third), json={"answer": asked["answer"], "piece": {"piece_kind": "bowl"}})
    other = kept.json()["record"]["number"]
    merge = {"keep": number, "drop": other}
    refusal = desk.post("/api/register/merges/refusals", json={"one": number, "other": other})
    assert refusal.status_code == 201
    assert desk.post("/api/register/merges", json=merge).status_code == 409
    if refusal.json()["change"] is not None:  # those that look alike were kept apart when registered
        assert desk.post("/api/undo", json={"change": refusal.json()["change"]}).status_code == 200
        assert desk.post("/api/register/merges", json=merge).status_code == 200
        assert desk.get(f"{RECORDS}/piece/{other}").status_code == 404
        assert desk.post("/api/undo").json()["undone"]["action"] == "register merge pieces"
    assert desk.get(f"{RECORDS}/piece/{other}").status_code == 200
    sheet = desk.get("/api/register/sheet", params={"q": "plate"})
    assert "data:image/jpeg;base64," in sheet.text


def test_every_request_with_a_key_is_done_once(desk: httpx.Client) -> None:
    fill(desk)
    before = desk.get("/api/register/changes").json()["total"]
    key = {"Idempotency-Key": "same"}
    body = {"number": "77", "piece_kind": "cup"}

    def send(_: int) -> httpx.Response:
        return desk.post(f"{RECORDS}/piece", json=body, headers=key)

    with ThreadPoolExecutor(6) as threads:
        answers = list(threads.map(send, range(12)))
    assert {answer.status_code for answer in answers} == {201}
    assert len({answer.json()["record"]["id"] for answer in answers}) == 1
    assert desk.get("/api/register/changes").json()["total"] == before + 1
    reused = desk.post(f"{RECORDS}/piece", json=body | {"number": "78"}, headers=key)
    assert reused.status_code == 422
    assert "Idempotency-Key" in reused.json()["detail"]


def test_two_at_once_get_no_number_twice(desk: httpx.Client) -> None:
    def send(_: int) -> int:
        return desk.post(f"{RECORDS}/piece", json={"number": "5", "piece_kind": "cup"}).status_code

    with ThreadPoolExecutor(6) as threads:
        statuses = list(threads.map(send, range(8)))
    assert sorted(statuses) == [201] + [422] * 7


CUP = {"number": "20", "piece_kind": "cup"}
BAD: list[tuple[str, str, Any, set[int]]] = [
    ("POST", f"{RECORDS}/piece", {"number": "12", "piece_kind": "cup"}, {422}),
    ("POST", f"{RECORDS}/piece", {"number": "20", "piece_kind": "cup", "line": "Nowhere"}, {422}),
    (
        "POST",
        f"{RECORDS}/piece",
        {"number": "20", "piece_kind": "cup", "decorations": [{"motif": "x"}]},
        {422},
    ),
    ("POST", f"{RECORDS}/piece", {"number": "20", "piece_kind": "cup", "decorations": "x"}, {422}),
    ("POST", f"{RECORDS}/piece", {"number": "20", "piece_kind": "cup", "decorations": [[]]}, {422}),
    ("POST", f"{RECORDS}/piece", {"number": {"a": 1}, "piece_kind": ["cup"]}, {422}),
    ("POST", f"{RECORDS}/piece", [], {422}),
    ("POST", f"{RECORDS}/vase", {"name": "x"}, {422}),
    ("POST", f"{RECORDS}/motif", {"name": ""}, {422}),
    ("POST", f"{RECORDS}/motif", {"name": "Quern Leaf"}, {422}),
    ("POST", f"{RECORDS}/line", {"name": "Corrick", "years": "1935-02-30"}, {422}),
    ("POST", f"{RECORDS}/evidence", {"about": "piece 99", "kind": "told", "citation": "x"}, {422}),
    ("POST", f"{RECORDS}/evidence", {"about": {"kind": ["piece"]}, "kind": "told", "citation": "x"}, {422}),
    ("POST", f"{RECORDS}/evidence", {"about_kind": "piece", "about_id": 5, "citation": "x"}, {422}),
    ("POST", f"{RECORDS}/kept_apart", {"one": "a", "other": "b"}, {422}),
    ("PATCH", f"{RECORDS}/piece/12", {"number": "13"}, {422}),
    ("PATCH", f"{RECORDS}/piece/12", {"number": None}, {422}),
    ("PATCH", f"{RECORDS}/piece/12", {"id": "other"}, {422}),
    ("PATCH", f"{RECORDS}/piece/99", {"title": "x"}, {404}),
    ("DELETE", f"{RECORDS}/line/Osmer", None, {422}),
    ("DELETE", f"{RECORDS}/piece/99", None, {404}),
    ("GET", f"{RECORDS}/piece/99", None, {404}),
    ("GET", f"{RECORDS}/piece?page=0", None, {422}),
    ("GET", "/api/register/search?metal=tin", None, {422}),
    ("GET", "/api/register/search?motif=nowhere", None, {404}),
    ("GET", "/api/register/owned?reading=none", None, {404}),
    ("GET", "/api/register/labels/99", None, {404}),
    ("GET", "/api/register/numbers", None, {422}),
    ("GET", "/api/register/numbers?number=OS-1&maker=nobody", None, {404}),
    ("GET", "/api/register/readings/none/mark", None, {404}),
    ("GET", "/api/register/readings/none/news", None, {409}),
    ("GET", "/api/register/sheet", None, {422}),
    ("GET", "/api/register/timeline?by=metal", None, {422}),
    ("POST", "/api/register/readings/none/piece", {"answer": "x"}, {404}),
    ("POST", "/api/register/readings/none/piece", {"answer": "x", "joins": "1", "piece": {"a": 1}}, {422}),
    ("POST", "/api/register/merges", {"keep": "12", "drop": "12"}, {409}),
    ("POST", "/api/register/merges", {"keep": "12", "drop": "99"}, {404}),
    ("POST", "/api/register/merges/refusals", {"one": "12", "other": "12"}, {422}),
]


def test_bad_requests_are_told_clearly_and_change_nothing(
    make_server: Callable, tmp_path: Path, digest: Callable[[Path], str]
) -> None:
    running = make_server(tmp_path / "data", "--empty")
    with running.client() as client:
        fill(client)
        before = digest(running.data)
        for method, address, body, statuses in BAD:
            answer = client.request(method, address, json=body)
            where = f"{method} {address} {body}"
            assert answer.status_code in statuses, (where, answer.text)
            assert answer.headers["content-type"] == "application/problem+json", where
            assert answer.json()["detail"].endswith((".", "?")), where
            assert "Traceback" not in answer.text
        assert digest(running.data) == before
    running.stop()
