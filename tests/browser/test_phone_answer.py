"""The answer on a phone: sentence and next step first, one tap with undo, pointing, all of it by keys too."""

from __future__ import annotations

import io
import itertools
import re
from collections.abc import Callable
from typing import Any

import httpx
import numpy as np
import pytest
from PIL import Image
from playwright.sync_api import Locator, Page, expect

READ_MS = 60_000
OVERLAP_PX = 600
LEAST_TARGET_PX = 48  # the project's own; WCAG 2.2, success criterion 2.5.8 asks for 24

FIND_SMALL = """(least) => {
  const kinds = "button, .button, summary, input:not([type=file]), select";
  return [...document.querySelectorAll(`main :is(${kinds})`)]
    .filter((e) => e.offsetParent && !e.closest(".choice") && e.getBoundingClientRect().height < least)
    .map((e) => e.outerHTML.slice(0, 90));
}"""
NUMBER_CONTROLS = """() => {
  const kinds = "a[href], button, summary, input, textarea, select, [tabindex='0']";
  const reachable = (e) => e.checkVisibility() && !e.disabled && !(e.type === "radio" && !e.checked);
  const found = [...document.querySelectorAll(kinds)].filter(reachable);
  found.forEach((e, number) => { e.dataset.n = number; });
  return found.length;
}"""
TELL_FOCUSED = """() => {
  const e = document.activeElement;
  const shown = e.type === "file" ? e.parentElement : e;
  const isOutlined = getComputedStyle(shown).outlineStyle !== "none";
  return [e.dataset.n, isOutlined, e.outerHTML.slice(0, 80)];
}"""


@pytest.fixture(scope="module")
def empty_table(served: Any) -> dict[str, Any]:
    """The reading of a photo without any piece."""
    grain = np.random.default_rng(5).normal(120, 3, (480, 640, 3)).clip(0, 255).astype(np.uint8)
    data = io.BytesIO()
    Image.fromarray(grain).save(data, "JPEG")
    with served.client() as client:
        reading: dict[str, Any] = client.post("/api/readings", files={"photo": data.getvalue()}).json()
    return reading


def open_answer(page: Page, reading: dict[str, Any]) -> str:
    page.goto(f"/readings/{reading['id']}")
    return str(reading["id"])


def bottom_of(found: Locator) -> float:
    box = found.bounding_box()
    assert box is not None
    return box["y"] + box["height"]


@pytest.mark.parametrize("width", [360, 390, 430])
def test_sentence_picture_reason_and_the_first_step_are_on_the_first_screen(
    phone: Page, read_once: Callable, width: int
) -> None:
    phone.set_viewport_size({"width": width, "height": 844})
    open_answer(phone, read_once())
    expect(phone.locator("h1")).to_contain_text("Tidewrack")
    expect(phone.locator(".why")).to_contain_text("Tidewrack:")
    bar = phone.locator(".thumb-bar").bounding_box()
    assert bar is not None
    for part in ("h1", "#picture", ".why"):
        assert bottom_of(phone.locator(part)) <= bar["y"], part
    assert phone.locator("#next-title").bounding_box()["y"] < bar["y"]  # type: ignore[index]
    assert phone.evaluate("document.documentElement.scrollWidth") <= width


def test_the_answer_has_no_finding_of_axe_on_phone_and_desk(
    phone: Page, desk: Page, read_once: Callable, check_axe: Callable, shot: Callable
) -> None:
    for page, name in ((phone, "phone"), (desk, "desk")):
        open_answer(page, read_once())
        page.locator(".candidate").first.scroll_into_view_if_needed()
        page.locator(".overlap img").first.wait_for()
        for summary in page.locator("summary").all():
            summary.click()
        check_axe(page)
        shot(page, f"{name}-answer")


def test_large_text_makes_no_line_too_wide(phone: Page, read_once: Callable, shot: Callable) -> None:
    phone.set_viewport_size({"width": 360, "height": 800})
    reading_id = open_answer(phone, read_once())
    for address in (f"/readings/{reading_id}", f"/readings/{reading_id}/piece", "/"):
        phone.goto(address)
        phone.evaluate("document.documentElement.style.setProperty('font-size', '200%')")
        assert phone.evaluate("document.documentElement.scrollWidth") <= 360, address
        shot(phone, f"phone-large-text{address.replace('/', '-')}")


def test_everything_to_press_is_large_enough(phone: Page, read_once: Callable) -> None:
    open_answer(phone, read_once())
    for summary in phone.locator("summary").all():
        summary.click()
    small = phone.evaluate(
        FIND_SMALL,
        LEAST_TARGET_PX,
    )
    assert small == []


def test_headings_are_in_order_and_there_is_one_first(phone: Page, read_once: Callable) -> None:
    open_answer(phone, read_once())
    levels = phone.evaluate(
        "[...document.querySelectorAll('h1, h2, h3, h4')].map((h) => Number(h.tagName[1]))"
    )
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(below - above <= 1 for above, below in itertools.pairwise(levels)), levels


def test_one_tap_keeps_it_and_one_more_takes_it_back(
    phone: Page, read_once: Callable, served: Any, shot: Callable
) -> None:
    reading_id = open_answer(phone, read_once())
    phone.locator("#quick .confirm").click()
    expect(phone.locator("#kept-as")).to_contain_text("Tidewrack")
    shot(phone, "phone-answer-kept")
    phone.get_by_role("button", name="Undo").click()
    expect(phone.locator("#notice")).to_contain_text("Undone.")
    expect(phone.locator("#kept-note")).to_be_hidden()
    with served.client() as client:
        again = client.get(f"/readings/{reading_id}").text
    assert 'id="kept-note" class="kept" hidden' in again


def test_another_choice_corrects_and_undo_brings_the_first_back(phone: Page, read_once: Callable) -> None:
    open_answer(phone, read_once())
    phone.locator("#quick .confirm").click()
    expect(phone.locator("#kept-as")).to_contain_text("Tidewrack")
    phone.locator("#none-of-these").click()
    expect(phone.locator("#labels input[name=motif]")).to_be_focused()
    phone.keyboard.type("Weir Lattice")
    phone.keyboard.press("Enter")
    expect(phone.locator("#kept-as")).to_contain_text("Weir Lattice")
    expect(phone.locator("#kept-note a")).to_have_attribute("href", re.compile("/piece$"))
    phone.get_by_role("button", name="Undo").click()
    expect(phone.locator("#kept-as")).to_contain_text("Tidewrack")
    phone.reload()
    expect(phone.locator("#kept-as")).to_contain_text("Tidewrack")
    phone.evaluate("() => sendJson('POST', '/api/undo', {})")
    phone.reload()
    expect(phone.locator("#kept-note")).to_be_hidden()


def test_a_candidate_shows_both_photos_the_prints_on_each_other_and_what_differs(
    phone: Page, read_once: Callable
) -> None:
    open_answer(phone, read_once())
    first = phone.locator(".candidate").first
    first.scroll_into_view_if_needed()
    expect(first.locator(".overlap img")).to_be_visible()
    expect(first.locator(".overlap figcaption")).to_contain_text("Black: in both")
    expect(first.locator(".differs")).to_contain_text("Laid on each other the prints agree")
    expect(first.locator(".pair img")).to_have_count(2)
    expect(first.locator(".overlap img")).to_have_js_property("naturalWidth", OVERLAP_PX)


def test_unlikely_candidates_are_folded_away_and_open(phone: Page, read_once: Callable) -> None:
    open_answer(phone, read_once())
    folded = phone.locator(".unlikely")
    expect(folded.locator(".candidate").first).to_be_hidden()
    folded.locator("summary").first.click()
    expect(folded.locator(".candidate").first).to_be_visible()
    shares = folded.locator(".chance meter").evaluate_all("(meters) => meters.map((meter) => meter.value)")
    assert shares
    assert max(shares) < 0.05


def test_a_missed_rim_invites_to_draw_and_the_line_is_read(
    phone: Page, empty_table: dict[str, Any], check_axe: Callable, shot: Callable
) -> None:
    before = open_answer(phone, empty_table)
    expect(phone.locator(".next")).to_contain_text("The rim was missed")
    check_axe(phone)
    shot(phone, "phone-rim-missed")
    phone.locator(".next > [data-hint=trace]").click()
    box = phone.locator("#picture").bounding_box()
    assert box is not None
    x, y = box["x"] + box["width"] * 0.3, box["y"] + box["height"] * 0.5
    phone.mouse.move(x, y)
    phone.mouse.down()
    for step in range(1, 9):
        phone.mouse.move(x + 15 * step, y - 4 * step)
    phone.mouse.up()
    expect(phone.locator("#hint-text")).to_contain_text("points drawn")
    shot(phone, "phone-drawing")
    phone.locator("#hint-undo").click()
    expect(phone.locator("#hint-read")).to_be_disabled()
    phone.mouse.move(x, y)
    phone.mouse.down()
    phone.mouse.move(x + 120, y, steps=8)
    phone.mouse.up()
    phone.locator("#hint-read").click()
    expect(phone).not_to_have_url(re.compile(f"{before}$"), timeout=READ_MS)
    expect(phone.locator("h1")).to_be_visible()


def test_border_and_white_spot_are_shown_with_keys_alone(phone: Page, read_once: Callable) -> None:
    before = open_answer(phone, read_once())
    phone.get_by_text("Read wrong? Point at it").focus()
    phone.keyboard.press("Enter")
    phone.get_by_role("button", name="Draw along the border").focus()
    phone.keyboard.press("Enter")
    expect(phone.locator("#pointing")).to_be_focused()
    phone.keyboard.press("Space")
    for _ in range(4):
        phone.keyboard.press("ArrowRight")
    phone.keyboard.press("Space")
    expect(phone.locator("#hint-text")).to_contain_text("2 points drawn")
    phone.keyboard.press("Backspace")
    expect(phone.locator("#hint-text")).to_contain_text("1 point drawn")
    phone.keyboard.press("Escape")
    expect(phone.locator("#hint-panel")).to_be_hidden()
    white = phone.get_by_role("button", name="Show a white spot").last
    white.focus()
    phone.keyboard.press("Enter")
    phone.keyboard.press("Space")
    phone.keyboard.press("Enter")
    expect(phone).not_to_have_url(re.compile(f"{before}$"), timeout=READ_MS)


def test_a_measured_diameter_is_typed_and_read_with(
    phone: Page, read_once: Callable, check_axe: Callable, shot: Callable
) -> None:
    before = open_answer(phone, read_once())
    phone.get_by_text("Read wrong? Point at it").click()
    field = phone.get_by_label("Its diameter, measured (mm)")
    for wrong in ("", "-5", "5000"):
        field.fill(wrong)
        phone.get_by_role("button", name="Read with it").click()
        expect(phone.locator("#measured-said")).to_contain_text("millimetres, 20 to 1000")
    check_axe(phone)
    shot(phone, "phone-measured")
    field.fill("265.5")
    phone.get_by_role("button", name="Read with it").click()
    expect(phone).not_to_have_url(re.compile(f"{before}$"), timeout=READ_MS)
    expect(phone.get_by_text("mm across, as told")).to_be_attached()
    expect(phone.get_by_label("Its diameter, measured (mm)")).to_have_value("265.5")


def test_a_tap_lands_on_the_pixel_under_it(phone: Page, read_once: Callable) -> None:
    """The picture is cut to the piece until somebody points; then it is whole, and taps are photo pixels."""
    reading = read_once()
    open_answer(phone, reading)
    sent: list[dict[str, Any]] = []
    phone.route("**/again", lambda route: (sent.append(route.request.post_data_json), route.abort()))
    phone.get_by_text("Read wrong? Point at it").click()
    phone.get_by_role("button", name="Show a white spot").last.click()
    box = phone.locator("#picture").bounding_box()
    assert box is not None
    phone.touchscreen.tap(box["x"] + box["width"] * 0.25, box["y"] + box["height"] * 0.75)
    phone.locator("#hint-read").click()
    phone.wait_for_timeout(300)
    x, y = (float(value) for value in sent[0]["neutral"].split(","))
    assert x == pytest.approx(0.25 * reading["photo"]["width"], abs=3)
    assert y == pytest.approx(0.75 * reading["photo"]["height"], abs=3)


def test_every_control_is_reached_with_tab_and_shows_it(phone: Page, read_once: Callable) -> None:
    open_answer(phone, read_once())
    phone.locator("#own-said:not(:empty)").wait_for()
    wanted = phone.evaluate(NUMBER_CONTROLS)
    reached: set[str] = set()
    dull: list[str] = []
    for _ in range(wanted + 5):
        phone.keyboard.press("Tab")
        number, outlined, html = phone.evaluate(TELL_FOCUSED)
        if number is not None:
            reached.add(number)
            if not outlined:
                dull.append(html)
    missing = [str(n) for n in range(wanted) if str(n) not in reached]
    said = phone.evaluate(
        "(missing) => missing.map((n) => document.querySelector(`[data-n='${n}']`).outerHTML.slice(0, 90))",
        missing,
    )
    assert said == []
    assert dull == []


def test_the_register_is_said_without_a_tap(phone: Page, read_once: Callable) -> None:
    open_answer(phone, read_once())
    expect(phone.locator("#own-said")).to_contain_text("Nearest:")


def test_a_reading_without_a_register_says_so(
    open_page: Callable, make_served: Callable, tmp_path: Any
) -> None:
    served = make_served(tmp_path / "data", "--empty")
    grain = np.full((300, 400, 3), 128, np.uint8)
    data = io.BytesIO()
    Image.fromarray(grain).save(data, "PNG")
    reading = httpx.post(f"{served.url}/api/readings", files={"photo": data.getvalue()}, timeout=60).json()
    page = open_page(served.url)
    page.goto(f"/readings/{reading['id']}")
    expect(page.locator("#own-said")).to_contain_text("Nothing in your register looks like it.")
    expect(page.locator("#own-labels")).to_have_attribute("open", "")
