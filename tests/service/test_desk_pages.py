"""The desk's pages without a browser: each opens, says what is recorded, and refuses as a page."""

from __future__ import annotations

import asyncio
import re
from collections.abc import Iterator
from typing import Any

import httpx
import pytest

from service.actions import Actions
from service.desk_compare import CLOSELY, HARDLY, compare_facts, say_overlap
from service.desk_views import lay_out_grid
from service.guard import Guard
from service.http import make_app
from service.page_navigation import GROUPS, list_bar
from service.register.demo_register import load_demo
from service.register.records import KINDS
from service.store import open_store
from service.worker import Started

A_PIECE, CLASHING = "demo-piece-001", "demo-odd-4"
HTML = {"Accept": "text/html"}
HOME = "127.0.0.1"


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


class IdleWorker:
    """Stands where the reading process would; these pages read no photo."""

    def wait_ready(self) -> Started:
        return Started(None, "none here")

    def tell(self) -> dict[str, int]:
        return {"workers": 0, "busy": 0, "waiting": 0, "expected_wait_s": 0}


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Iterator[httpx.Client]:
    store = open_store(tmp_path_factory.mktemp("desk") / "data")
    with store.writing() as tx:
        load_demo(tx, "test")
    app = make_app(Actions(store, IdleWorker(), "test"))  # type: ignore[arg-type]
    with httpx.Client(transport=InProcess(Guard(app), HOME), base_url=f"http://{HOME}:7446") as client:
        yield client
    store.close()


def words_of(page: str) -> str:
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", page)).replace("&#39;", "'")


@pytest.mark.parametrize("kind", [*KINDS, "everything"])
def test_the_list_of_every_kind_opens(desk: httpx.Client, kind: str) -> None:
    assert desk.get("/register", params={"kind": kind}).status_code == 200
    assert desk.get("/register", params={"kind": kind, "q": "osmer"}).status_code == 200


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_has_a_form_with_all_its_fields(desk: httpx.Client, kind: str) -> None:
    page = desk.get(f"/register/new/{kind}").text
    fields = desk.get("/api/register/kinds").json()[kind]
    shown = set(re.findall(r'data-field="([a-z_]+)"', page))
    elsewhere = {"about_kind", "about_id"} | ({"photos"} if kind == "piece" else set())
    assert set(fields) - elsewhere <= shown


def test_every_link_of_the_bar_and_of_all_pages_opens(desk: httpx.Client) -> None:
    listed = [link for _, links in GROUPS for link in links]
    assert {link.address for link in list_bar()} <= {link.address for link in listed} | {"/more"}
    for link in listed:
        answer = desk.get(link.address)
        assert answer.status_code == 200, link.address
        assert " style=" not in answer.text, link.address  # the content policy would drop it
        assert not re.search(r"<script(?! src=)", answer.text), link.address


def test_a_piece_shows_facts_evidence_and_opinions_apart_and_names_its_clash(desk: httpx.Client) -> None:
    said = words_of(desk.get(f"/register/records/piece/{CLASHING}").text)
    for heading in ("Facts", "Evidence", "Opinions", "When it was made", "What changed"):
        assert heading in said
    assert "These cannot both be right: its printed mark" in said
    asked = desk.get("/api/register/conflicts", params={"record": CLASHING}).json()["items"]
    assert "evidence clashes" in [entry["kind"] for entry in asked]
    assert desk.get("/api/register/conflicts", params={"record": A_PIECE}).json()["items"] == []


def test_a_filter_that_names_nothing_says_so_and_keeps_what_was_typed(desk: httpx.Client) -> None:
    page = desk.get("/register", params={"motif": "No Such Motif"}).text
    assert "There is no motif" in page
    assert 'value="No Such Motif"' in page


def test_private_fields_are_for_the_owner_and_stay_off_the_label(desk: httpx.Client) -> None:
    given = {"number": "P-1", "piece_kind": "cup", "private": {"seller": "Quiet Corner", "price": "4"}}
    change = desk.post("/api/register/records/piece", json=given).json()["change"]
    assert "Quiet Corner" in desk.get("/register/records/piece/P-1").text
    assert "Quiet Corner" in desk.get("/register/edit/piece/P-1").text
    assert "Quiet Corner" not in desk.get("/register/label/P-1").text
    desk.post("/api/undo", json={"change": change})


def test_a_correction_tells_all_its_faults_at_once(desk: httpx.Client) -> None:
    body = {"piece_kind": "", "line": "No Such Line", "count": "many", "wear": [{"clock": 3}]}
    answer = desk.patch(f"/api/register/records/piece/{A_PIECE}", json=body)
    assert answer.status_code == 422
    fields = {fault.split(":")[0] for fault in answer.json()["faults"]}
    assert fields == {"piece_kind", "line", "count", "wear[0].score"}


def test_a_bad_date_is_told_together_with_a_missing_name(desk: httpx.Client) -> None:
    answer = desk.post("/api/register/records/motif", json={"years": "199u"})
    assert [fault.split(":")[0] for fault in answer.json()["faults"]] == ["name", "motif"]


def test_a_refused_page_is_a_page_and_a_refused_request_stays_a_problem(desk: httpx.Client) -> None:
    for address in ("/nowhere", "/register/records/piece/none", "/register/new/nothing", "/readings/none"):
        page = desk.get(address, headers=HTML)
        assert page.status_code == 404
        assert page.headers["content-type"].startswith("text/html")
        assert "<h1>" in page.text
    problem = desk.get("/api/register/records/piece/none", headers=HTML)
    assert problem.headers["content-type"] == "application/problem+json"


def test_records_are_shown_as_text_never_as_markup(desk: httpx.Client) -> None:
    nasty = "<img src=x onerror=alert(1)>\"'"
    given = {"number": "N-1", "piece_kind": nasty, "note": nasty, "kept_at": nasty}
    change = desk.post("/api/register/records/piece", json=given).json()["change"]
    for address in (
        "/register?q=N-1",
        "/register/records/piece/N-1",
        "/register/edit/piece/N-1",
        "/register/changes",
    ):
        page = desk.get(address).text
        assert "<img src=x" not in page, address
        assert "&lt;img" in page, address
    desk.post("/api/undo", json={"change": change})


def test_a_blank_of_the_grid_opens_a_want_with_motif_line_and_metal_filled_in(desk: httpx.Client) -> None:
    laid = lay_out_grid(desk.get("/api/register/grid").json())
    blanks = [c for row in laid["rows"] for c in row["cells"] if c["cell"] is None]
    assert len(blanks) == laid["grid"]["blanks"]
    page = desk.get(blanks[0]["address"]).text
    motif, line = re.match(r"(.+) on (.+), (?:gold|platinum)$", blanks[0]["about"]).groups()  # type: ignore[union-attr]
    assert f'value="{motif}"' in page
    assert f'value="{line}"' in page


def test_a_sheet_holds_the_pieces_of_a_search_and_says_what_it_cannot_find(desk: httpx.Client) -> None:
    sheet = words_of(desk.get("/register/sheet", params={"q": "Kelp Knot", "title": "Kelp"}).text)
    assert "X2: dinner plate" in sheet or "X2:" in sheet
    assert "Sources" in sheet
    refused = desk.get("/register/sheet", params={"pieces": "none-such"})
    assert refused.status_code == 422
    assert "none-such" in refused.text


@pytest.mark.parametrize(
    ("likeness", "word"), [(CLOSELY, "closely"), (HARDLY, "in part"), (HARDLY - 0.01, "hardly")]
)
def test_an_overlap_is_said_by_its_likeness(likeness: float, word: str) -> None:
    told = {"likeness": likeness, "lie": "mirrored", "height_ratio": 1.3, "length_ratio": 0.8}
    said = say_overlap(told)
    assert word in said[0]
    assert "mirrored" in said[1]
    assert "higher" in said[2]
    assert "closer" in said[3]


def test_what_one_photo_does_not_know_neither_agrees_nor_differs() -> None:
    facts = {"lines": None, "border": None, "trim": {"verdict": "cannot tell"}, "piece": {"size": None}}
    one = {"facts": facts, "labels": {"motif": "Marram", "metal": "gold"}}
    other = {"facts": facts, "labels": {"motif": "Marram", "metal": "platinum"}}
    verdicts = {row["name"]: row["verdict"] for row in compare_facts(one, other)}
    assert verdicts.pop("Motif, as labelled") == "agrees"
    assert verdicts.pop("Metal, as labelled") == "differs"
    assert set(verdicts.values()) == {"not known of both"}


def test_the_address_of_a_list_leads_to_it(desk: httpx.Client) -> None:
    answer = desk.get("/register/records/motif", follow_redirects=False)
    assert (answer.status_code, answer.headers["location"]) == (303, "/register?kind=motif")
