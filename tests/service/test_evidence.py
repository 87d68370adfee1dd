"""The evidence pictures: well-formed, legible, told in words, and true to the numbers they draw."""

from __future__ import annotations

import re
from collections.abc import Callable
from xml.etree import ElementTree

import httpx
import pytest

from service.colour_line_svg import draw_colour_line
from service.register import svg
from service.wear_svg import draw_wear

NAME = "{http://www.w3.org/2000/svg}"
GOLD, PLATINUM = (1.426, 0.501), (1.061, 0.913)  # linear red, blue over green of the measured reflectances


def facts_of(metal: tuple[float, float], light: tuple[float, float]) -> dict:
    """A trim of that colour mirroring white things under a light (red, blue over green)."""
    points = [
        {
            "from_deg": 10.0 * k,
            "trim_red": metal[0] * light[0] * (1 + 0.01 * (k % 3)),
            "trim_blue": metal[1] * light[1] * (1 + 0.02 * (k % 2)),
            "glaze_red": light[0],
            "glaze_blue": light[1] * 0.97,
        }
        for k in range(36)
    ]
    white = {"white_rgb": [light[0], 1.0, light[1]], "uncertainty_deg": 4.0, "evidence": []}
    return {"light": white, "trim": {"colour_line": {"region": "border", "points": points}}}


def sectors_of(shares: list[float | None]) -> dict:
    arcs = [{"from_deg": 10 * k, "to_deg": 10 * k + 10, "remaining_share": s} for k, s in enumerate(shares)]
    known = [share for share in shares if share is not None]
    return {
        "trim": {
            "sectors": arcs,
            "remaining_share": sum(known) / len(known) if known else None,
            "metal": "gold",
        }
    }


def read_svg(text: str) -> ElementTree.Element:
    root = ElementTree.fromstring(text)
    assert root.get("role") == "img"
    title, description = root.find(f"{NAME}title"), root.find(f"{NAME}desc")
    assert title is not None and title.text
    assert description is not None and description.text
    assert root.get("aria-labelledby", "").split() == [title.get("id"), description.get("id")]
    return root


@pytest.mark.parametrize(("metal", "name"), [(GOLD, "gold"), (PLATINUM, "platinum")])
@pytest.mark.parametrize("light", [(1.0, 1.0), (1.9, 0.35), (0.8, 1.4)])
def test_the_colour_line_tells_which_metal_lies_nearer(
    metal: tuple[float, float], light: tuple[float, float], name: str
) -> None:
    text = draw_colour_line(facts_of(metal, light))
    description = read_svg(text).find(f"{NAME}desc")
    assert description is not None
    assert f"nearer to {name}" in str(description.text)
    assert "As photographed" in text and "Balanced for the light" in text


def test_pictures_are_legible_on_a_phone() -> None:
    for text in (draw_colour_line(facts_of(GOLD, (1.9, 0.35))), draw_wear(sectors_of([0.5] * 36))):
        root = read_svg(text)
        assert float(root.get("width", "0")) <= 360
        width, height = (float(value) for value in root.get("viewBox", "").split()[2:])
        for word in root.iter(f"{NAME}text"):
            assert float(word.get("font-size", "0")) >= 12
            assert 0 <= float(word.get("x", "-1")) <= width
            assert 0 <= float(word.get("y", "-1")) <= height
            for ground in (svg.PAPER, "#ffffff"):
                assert contrast(word.get("fill", ""), ground) >= 4.5


def contrast(one: str, other: str) -> float:
    """WCAG 2.2 contrast ratio of two hexadecimal colours (formula of its glossary)."""

    def level(colour: str) -> float:
        channels = [int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5)]
        linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    high, low = max(level(one), level(other)), min(level(one), level(other))
    return (high + 0.05) / (low + 0.05)


def test_contrast_is_that_of_the_standard() -> None:
    assert contrast("#000000", "#ffffff") == pytest.approx(21)


def test_points_far_outside_stay_on_the_page() -> None:
    facts = facts_of(GOLD, (1.0, 1.0))
    facts["trim"]["colour_line"]["points"][0] |= {"trim_red": 0.0, "trim_blue": 60.0}
    root = read_svg(draw_colour_line(facts))
    for dot in root.iter(f"{NAME}circle"):
        assert 0 <= float(dot.get("cx", "-1")) <= 360


def test_the_dial_fills_each_sector_by_what_is_left() -> None:
    shares: list[float | None] = [1.0] * 18 + [0.25] * 9 + [0.0] * 5 + [None] * 4
    text = draw_wear(sectors_of(shares))
    radii = [float(r) for r in re.findall(r"A([\d.]+) [\d.]+ 0 0 1", text)]
    assert radii.count(128.0) == 36 + 18  # every sector's ground, and the full ones' fill
    assert radii.count(84.5) == 9  # 70 + a quarter of 58
    assert text.count("stroke-dasharray") == 4 + 1
    description = read_svg(text).find(f"{NAME}desc")
    assert description is not None
    assert "12 to 3 o'clock 100" in str(description.text).replace("\u00a0", " ")


def test_a_photo_without_a_measured_trim_is_told_why(client: httpx.Client, plates: Callable) -> None:
    reading = client.post("/api/readings", files={"photo": ("plate.jpg", plates("star"))}).json()
    for name, wanted in (
        ("colour-line.svg", reading["trim"]["colour_line"]),
        ("wear.svg", reading["trim"]["sectors"]),
    ):
        answer = client.get(f"/api/readings/{reading['id']}/{name}")
        if wanted:
            assert answer.status_code == 200
            assert answer.headers["content-type"] == "image/svg+xml"
            read_svg(answer.text)
        else:
            assert answer.status_code == 404
            assert answer.json()["detail"]
    assert client.get("/api/readings/nothing/wear.svg").status_code == 404
