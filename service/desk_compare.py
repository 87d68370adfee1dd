"""Two borders compared: side by side, one above the other, the prints laid on each other, and in words."""

from __future__ import annotations

from fastapi import FastAPI
from starlette.responses import HTMLResponse

from model.errors import RimlightError
from service import report, view
from service.desk_parts import Desk, Facts, Short
from service.overlap import describe_overlap, lay_readings

MOST_RECENT, MOST_GALLERY = 24, 192
# Likeness of prints laid on each other in the demo gallery: of 38 pairs of one motif three quarters reach
# 0.62; of 50 pairs of two motifs nine tenths stay under 0.41, and the highest reaches 0.70.
CLOSELY, HARDLY = 0.70, 0.41
NOTEWORTHY = 0.1  # share by which heights or spacings must differ to be told
LIES = {
    "mirrored": "It fits mirrored: a stamp can be set either way round, that makes no other motif.",
    "turned": "It fits turned by half a turn: that makes no other motif.",
    "upside down": "It fits upside down: a stamp can be set either way up, that makes no other motif.",
}


def add_compare_page(app: FastAPI, desk: Desk) -> None:
    """Add the page."""

    @app.get("/compare", include_in_schema=False)
    def show_compare(one: Short = "", other: Short = "") -> HTMLResponse:
        sides = [_look_at(desk, reading_id) if reading_id else None for reading_id in (one, other)]
        values: Facts = {"one": sides[0], "other": sides[1], "choices": _list_choices(desk)}
        if sides[0] and sides[1]:
            values |= {"rows": compare_facts(sides[0], sides[1])} | _lay(desk, one, other)
        return desk.show("compare", "/compare", **values)


def _look_at(desk: Desk, reading_id: str) -> Facts:
    """What the page shows of one photo: its facts, its labels if it has some, and what to call it."""
    facts = desk.actions.find_reading(reading_id)
    labels = desk.actions.find_labels(reading_id) or {}
    has_strip = facts["strip_first_column_deg"] is not None
    called = labels.get("motif") or view.recent(facts)["said"]
    return {"id": reading_id, "facts": facts, "labels": labels, "has_strip": has_strip, "called": called}


def _list_choices(desk: Desk) -> dict[str, list[tuple[str, str]]]:
    """Photos to choose from, by group: those read lately, and the gallery."""
    recent = [view.recent(facts) for facts in desk.actions.list_recent_readings(MOST_RECENT)]
    gallery: list[tuple[str, str]] = []
    page = 1
    while len(gallery) < MOST_GALLERY:
        answer = desk.actions.list_gallery(page=page)
        gallery += [(item["reading_id"], _say_item(item)) for item in answer["items"]]
        page += 1
        if page > answer["pages"]:
            break
    return {
        "Read lately": [(r["id"], r["said"]) for r in recent],
        "Gallery": sorted(gallery, key=lambda g: g[1]),
    }


def _say_item(item: Facts) -> str:
    words = (item["motif"], item["variant"], item["metal"], item["line"], item["decoration_number"])
    return ", ".join(word for word in words if word)


def compare_facts(one: Facts, other: Facts) -> list[Facts]:
    """One row for each thing that both may show: what it is on each, and whether it agrees."""
    rows = []
    for name, find in _FACTS.items():
        values = [find(side) for side in (one, other)]
        known = None not in values
        verdict = ("agrees" if values[0] == values[1] else "differs") if known else "not known of both"
        rows.append({"name": name, "one": values[0], "other": values[1], "verdict": verdict})
    return rows


def _say_lines(side: Facts, place: str) -> str | None:
    """The colour of a line; "none" only where it was looked for."""
    if side["facts"]["lines"] is None:
        return None
    colours = [line["colour"] for line in side["facts"]["lines"] if line["place"] == place]
    return ", ".join(colours) or "none"


def _say_layout(side: Facts) -> str | None:
    layout = (side["facts"]["border"] or {}).get("layout")
    return None if layout in (None, "none") else str(layout)


def _say_repeats(side: Facts) -> str | None:
    repeats = (side["facts"]["border"] or {}).get("repeats")
    return None if repeats is None else str(repeats)


def _say_verdict(side: Facts) -> str | None:
    verdict = side["facts"]["trim"]["verdict"]
    return None if verdict == "cannot tell" else str(verdict)


def _say_size(side: Facts) -> str | None:
    size = side["facts"]["piece"]["size"]
    return None if size is None else str(report.say_size(size))


_FACTS = {
    "Motif, as labelled": lambda side: side["labels"].get("motif"),
    "Variant, as labelled": lambda side: side["labels"].get("variant"),
    "Metal, as labelled": lambda side: side["labels"].get("metal"),
    "Line, as labelled": lambda side: side["labels"].get("line"),
    "Decoration number": lambda side: side["labels"].get("decoration_number"),
    "Trim, as read": _say_verdict,
    "Layout of the border": _say_layout,
    "Repeats": _say_repeats,
    "Edge line": lambda side: _say_lines(side, "edge"),
    "Verge line": lambda side: _say_lines(side, "verge"),
    "Size": _say_size,
}


def _lay(desk: Desk, one: str, other: str) -> Facts:
    """The prints laid on each other: sentences and the picture, or why not."""
    try:
        told = describe_overlap(lay_readings(desk.actions, one, other))
    except RimlightError as error:
        return {"overlap": None, "why_not": str(error)}
    return {
        "overlap": {"picture": f"/api/readings/{one}/overlap-with/{other}.png", "said": say_overlap(told)}
    }


def say_overlap(told: Facts) -> list[str]:
    """What the overlap's figures say, in sentences."""
    share = f"{max(0, round(told['likeness'] * 100))} of 100"
    if told["likeness"] >= CLOSELY:
        said = [f"Laid on each other the prints agree closely: {share}."]
    elif told["likeness"] >= HARDLY:
        said = [f"Laid on each other the prints agree in part: {share}. Look which lines stand alone."]
    else:
        said = [
            f"Laid on each other the prints hardly agree: {share}, as two motifs do, "
            "or a border not well unrolled."
        ]
    if told["lie"] in LIES:
        said.append(LIES[told["lie"]])
    height, length = told["height_ratio"], told["length_ratio"]
    if abs(height - 1) > NOTEWORTHY:
        said.append(
            f"The second print is {'higher' if height > 1 else 'lower'} on its photo: "
            f"{height:.0%} of the first."
        )
    if abs(length - 1) > NOTEWORTHY:
        said.append(
            f"For its height the second is {'wider' if length > 1 else 'closer'} set: "
            f"{length:.0%} of the first."
        )
    return said
