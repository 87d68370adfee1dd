"""Photos taken out of reach: they wait in the browser, survive it, go up later and are read once."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Page, Playwright, Route, expect

ROOT = Path(__file__).resolve().parents[2]
PHOTOS = ROOT / "service" / "demo" / "photos"
FIRST = PHOTOS / "05-tidewrack-gold-rimmed-plate.jpg"
SECOND = PHOTOS / "27-pip-row-platinum-square-plate.jpg"
PHONE = {"viewport": {"width": 390, "height": 844}, "is_mobile": True, "has_touch": True}
READ_MS = 60_000


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("queue") / "data"


def count_readings(folder: Path) -> int:
    """Readings of photos that a person sent; those of the demo gallery are none."""
    connection = sqlite3.connect(folder / "rimlight.sqlite3")
    found = connection.execute("SELECT count(*) FROM reading").fetchone()[0]
    connection.close()
    return int(found)


def choose(page: Page, *photos: Path) -> None:
    page.locator("#take input[multiple]").set_input_files([str(photo) for photo in photos])


def waiting(page: Page) -> Any:
    return page.locator("#waiting")


def list_kept(page: Page) -> list[dict[str, Any]]:
    kept: list[dict[str, Any]] = page.evaluate(
        "async () => (await kept.list()).map(({ key, state, size }) => ({ key, state, size }))"
    )
    return kept


def test_photos_taken_without_a_network_wait_survive_a_reload_and_go_up_once_each(
    make_served: Callable, open_page: Callable, folder: Path, check_axe: Callable, shot: Callable
) -> None:
    served = make_served(folder, "--empty")
    page = open_page(served.url, PHONE)
    page.goto("/")
    page.wait_for_selector("html[data-away=kept]")
    before = count_readings(folder)
    page.context.set_offline(True)
    choose(page, FIRST, SECOND)
    expect(waiting(page)).to_contain_text("2 photos wait in this browser")
    expect(waiting(page).locator("li")).to_have_count(2)
    check_axe(page)
    shot(page, "waiting-phone")
    page.reload()
    expect(page.locator("main")).to_contain_text("out of reach")
    expect(waiting(page)).to_contain_text("2 photos wait in this browser")
    check_axe(page)
    shot(page, "away-phone")
    assert [note["size"] for note in list_kept(page)] == [FIRST.stat().st_size, SECOND.stat().st_size]
    page.context.set_offline(False)
    expect(waiting(page).get_by_role("link", name="see the answer")).to_have_count(2, timeout=READ_MS)
    assert count_readings(folder) == before + 2
    expect(page.locator("#gone")).to_contain_text("back in reach")
    shot(page, "sent-phone")
    waiting(page).get_by_role("link", name="see the answer").first.click()
    page.wait_for_url("**/readings/*")


def test_an_answer_lost_on_its_way_is_asked_for_again_and_the_photo_read_once(
    make_served: Callable, open_page: Callable, folder: Path
) -> None:
    served = make_served(folder, "--empty")
    page = open_page(served.url, PHONE, service_workers="block")
    keys: list[str] = []
    photo = PHOTOS / "12-marram-platinum-square-plate.jpg"

    def lose_the_first_answer(route: Route) -> None:
        keys.append(route.request.headers["idempotency-key"])
        if len(keys) == 1:  # the driver cannot see a photo's bytes, so the test sends the same for the page
            with served.client() as client:
                headers, files = {"Idempotency-Key": keys[0]}, {"photo": photo.read_bytes()}
                assert client.post("/api/readings", headers=headers, files=files).status_code == 201
            route.abort("connectionreset")
        else:
            route.continue_()

    page.route("**/api/readings", lose_the_first_answer)
    page.goto("/")
    before = count_readings(folder)
    choose(page, photo)
    expect(waiting(page)).to_contain_text("1 photo sent and read", timeout=READ_MS)
    assert len(keys) == 2 and len(set(keys)) == 1
    assert count_readings(folder) == before + 1


def test_a_photo_waits_while_the_server_is_stopped_and_through_a_restart_of_the_browser(
    make_served: Callable,
    playwright: Playwright,
    chromium: str,
    flags: list[str],
    tmp_path: Path,
    folder: Path,
) -> None:
    served = make_served(folder, "--empty")
    port, profile = served.port, tmp_path / "profile"

    def start() -> tuple[Any, Page]:
        context = playwright.chromium.launch_persistent_context(
            profile, executable_path=chromium, args=flags, base_url=served.url, **PHONE
        )
        return context, context.pages[0]

    context, page = start()
    page.goto("/")
    page.wait_for_selector("html[data-away=kept]")
    served.stop()
    choose(page, PHOTOS / "13-marram-gold-square-plate.jpg")
    expect(waiting(page)).to_contain_text("1 photo waits in this browser")
    context.close()
    before = count_readings(folder)
    context, page = start()
    page.goto("/")  # the page itself comes from the browser's own copy
    expect(page.locator("main")).to_contain_text("out of reach")
    expect(waiting(page)).to_contain_text("1 photo waits in this browser")
    again = make_served(folder, "--empty", port=port)
    waiting(page).get_by_role("button", name="Send now").click()
    expect(waiting(page)).to_contain_text("1 photo sent and read", timeout=READ_MS)
    context.close()
    again.stop()
    assert count_readings(folder) == before + 1


def test_a_waiting_photo_can_be_removed_and_put_back(
    make_served: Callable, open_page: Callable, folder: Path
) -> None:
    served = make_served(folder, "--empty")
    page = open_page(served.url, PHONE)
    page.goto("/")
    page.context.set_offline(True)
    choose(page, FIRST)
    expect(waiting(page).locator("li")).to_have_count(1)
    waiting(page).get_by_role("button", name="Remove").focus()
    page.keyboard.press("Enter")
    expect(waiting(page)).to_be_hidden()
    expect(page.get_by_role("button", name="Undo")).to_be_focused()
    page.keyboard.press("Enter")
    expect(waiting(page).locator("li")).to_have_count(1)
    waiting(page).get_by_role("button", name="Remove").click()
    expect(waiting(page)).to_be_hidden()
    assert list_kept(page) == []


def test_a_photo_that_cannot_be_read_says_why_and_stays_until_it_is_removed(
    make_served: Callable, open_page: Callable, folder: Path, tmp_path: Path, check_axe: Callable
) -> None:
    served = make_served(folder, "--empty")
    page = open_page(served.url, PHONE)
    page.goto("/")
    page.context.set_offline(True)
    text = tmp_path / "notes.jpg"
    text.write_text("no photo at all")
    choose(page, text)
    expect(waiting(page)).to_contain_text("1 photo waits")
    page.context.set_offline(False)
    expect(waiting(page)).to_contain_text("1 photo could not be read", timeout=READ_MS)
    expect(waiting(page).get_by_role("button", name="Try again")).to_be_visible()
    check_axe(page)
    waiting(page).get_by_role("button", name="Remove").click()
    expect(waiting(page)).to_be_hidden()


def test_two_tabs_send_a_waiting_photo_once(make_served: Callable, open_page: Callable, folder: Path) -> None:
    served = make_served(folder, "--empty")
    page = open_page(served.url, PHONE, service_workers="block")
    page.goto("/")
    other = page.context.new_page()
    other.goto("/help")
    page.context.set_offline(True)
    choose(page, PHOTOS / "14-marram-platinum-coupe-plate.jpg")
    expect(waiting(page)).to_contain_text("1 photo waits")
    expect(other.locator("#waiting-line")).to_contain_text("1 photo waits in this browser")
    before, sent = count_readings(folder), []
    page.context.on("request", lambda request: sent.append(request.url) if request.method == "POST" else None)
    page.context.set_offline(False)
    expect(waiting(page)).to_contain_text("1 photo sent and read", timeout=READ_MS)
    assert count_readings(folder) == before + 1
    assert len([url for url in sent if url.endswith("/api/readings")]) == 1, json.dumps(sent)


def test_photos_that_wait_their_turn_are_kept_when_the_page_is_closed_before(
    make_served: Callable, open_page: Callable, folder: Path
) -> None:
    served = make_served(folder, "--empty")
    page = open_page(served.url, PHONE, service_workers="block")
    page.goto("/")
    before = count_readings(folder)
    page.route("**/api/readings", lambda route: None)  # the machine takes its time with the first two
    choose(page, *sorted(PHOTOS.glob("2[0-2]-*.jpg")))
    expect(page.locator("#jobs li")).to_have_count(3)
    while len(list_kept(page)) < 3:
        page.wait_for_timeout(50)
    other = page.context.new_page()
    page.close()
    other.goto("/")
    expect(waiting(other)).to_contain_text("3 photos sent and read", timeout=2 * READ_MS)
    assert count_readings(folder) == before + 3
