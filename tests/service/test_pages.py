"""The pages: served, self-contained, honest, and their words true to the reading."""

from __future__ import annotations

import re
from pathlib import Path

import httpx
import pytest

from service import report, view, view_answer, view_wear

PAGE = Path(view.__file__).parent / "page"
UNVERIFIED = "unverified on real photos"


@pytest.fixture(scope="module")
def reading(client: httpx.Client, drop_plate: bytes) -> dict:
    return client.post("/api/readings", files={"photo": drop_plate}).json()


@pytest.mark.parametrize("address", ["/", "/gallery", "/help", "/docs", "/problems"])
def test_every_page_opens_and_loads_nothing_from_outside(client: httpx.Client, address: str) -> None:
    answer = client.get(address)
    assert answer.status_code == 200
    assert answer.headers["content-type"].startswith("text/html")
    assert "not an assay" in answer.text
    loaded = re.findall(r'(?:src|href|action)="([^"]+)"', answer.text)
    assert loaded
    assert all(target.startswith(("/", "#", "?")) and not target.startswith("//") for target in loaded), (
        loaded
    )
    assert " style=" not in answer.text  # the content policy would drop it
    assert "<script>" not in answer.text
    for target in set(re.findall(r'(?:src|href)="(/static/[^"]+)"', answer.text)):
        assert client.get(target).status_code == 200, target


def test_the_reading_page_shows_verdict_reasons_cautions_and_the_honest_note(
    client: httpx.Client, reading: dict
) -> None:
    page = client.get(f"/readings/{reading['id']}").text
    text = re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", page)).replace("&#39;", "'")
    assert view_answer.say_answer(reading) in text
    if reading["trim"]["verdict"] != "cannot tell":
        assert re.sub(r"\s+", " ", report.say_verdict(reading["trim"])) in text
    for said in (*reading["trim"]["reasons"], *reading["cautions"], UNVERIFIED):
        assert re.sub(r"\s+", " ", said) in text, said
    if reading["trim"]["retake"]:
        assert re.sub(r"\s+", " ", reading["trim"]["retake"]["text"]) in text
    for candidate in reading["candidates"]:
        assert candidate["motif"] in text


def test_labels_are_shown_as_text_never_as_markup(client: httpx.Client, drop_plate: bytes) -> None:
    nasty = "<img src=x onerror=alert(1)>\"'"
    item = client.post(
        "/api/gallery", files={"photo": drop_plate}, data={"motif": nasty, "note": nasty}
    ).json()
    for address in ("/gallery", f"/readings/{item['reading_id']}"):
        page = client.get(address).text
        assert "<img src=x" not in page
        assert "&lt;img src=x" in page
    client.delete(f"/api/gallery/{item['id']}")


def test_the_phone_pages_are_small(client: httpx.Client, reading: dict) -> None:
    """A page with all files that it names; photos and what is made of them are not counted."""
    for address in ("/", f"/readings/{reading['id']}", f"/readings/{reading['id']}/piece"):
        page = client.get(address)
        named = set(re.findall(r'(?:src|href)="(/static/[^"]+)"', page.text))
        assert len(named) >= 5, address
        total = len(page.content) + sum(len(client.get(target).content) for target in named)
        assert total <= 150_000, (address, total)


def test_nothing_in_the_page_folder_names_an_outside_address() -> None:
    for path in PAGE.rglob("*"):
        if path.is_file():
            outside = set(re.findall(r"https?://[^\s\"'<>)]+", path.read_text(encoding="utf-8")))
            assert outside <= {"http://www.w3.org/2000/svg"}, path


def luminance(colour: str) -> float:
    """Relative luminance of #rgb or #rrggbb (WCAG 2.2, definition of relative luminance)."""
    digits = colour.lstrip("#")
    digits = "".join(d * 2 for d in digits) if len(digits) == 3 else digits
    channels = [int(digits[i : i + 2], 16) / 255 for i in (0, 2, 4)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


@pytest.mark.parametrize(
    ("ink", "ground"),
    [
        ("ink", "porcelain"),
        ("quiet", "porcelain"),
        ("quiet", "glaze"),
        ("cobalt", "porcelain"),
        ("cobalt", "glaze"),
        ("glaze", "cobalt"),
        ("ink", "straw"),
        ("cobalt-deep", "glaze"),
        ("cobalt-deep", "cobalt-pale"),
        ("glaze", "ink"),
    ],
)
def test_text_stands_out_from_its_ground(ink: str, ground: str) -> None:
    """Contrast of at least 4.5 (WCAG 2.2, success criterion 1.4.3)."""
    named = dict(re.findall(r"--([\w-]+): (#\w+);", (PAGE / "static" / "rimlight.css").read_text("utf-8")))
    light, dark = sorted((luminance(named[ink]), luminance(named[ground])), reverse=True)
    assert (light + 0.05) / (dark + 0.05) >= 4.5


@pytest.mark.parametrize(
    ("share", "said"),
    [
        (0.999, "very likely, 99 %"),
        (0.9, "very likely, 90 %"),
        (0.7, "likely, 70 %"),
        (0.35, "perhaps, 35 %"),
        (0.1, "unlikely, 10 %"),
        (0.0, "unlikely, under 1 %"),
    ],
)
def test_a_probability_is_never_said_as_certainty(share: float, said: str) -> None:
    assert report.say_share(share).replace("\u00a0", " ") == said


def test_wear_names_the_clock_place_where_least_is_left() -> None:
    sectors = [
        {"from_deg": d, "to_deg": d + 30, "remaining_share": 0.2 if d == 90 else 0.9}
        for d in range(0, 360, 30)
    ]
    said = view.say_wear(0.84, sectors)
    assert "84" in said
    assert "least near 4 o'clock" in said or "least near 3 o'clock" in said
    assert view.say_place(0) == view.say_place(359) == "the top of the rim"
    assert view.say_place(90) == "3 o'clock"  # rim angles run clockwise from the top


def test_the_wear_dial_starts_at_the_top_and_runs_clockwise() -> None:
    arc = view_wear.draw_arc({"from_deg": 0, "to_deg": 90, "remaining_share": 0.5})
    assert arc["path"].startswith("M0.0 -100.0A")
    assert " 1 100.0 0.0" in arc["path"].replace("-0.0", "0.0")
