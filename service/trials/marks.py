"""How often the text of a base mark is read right: marks drawn with known text, straight and round.

Run ``python -m service.trials.marks``; needs the extra ``ocr``. Drawn marks are easier than fired ones: the
figures say what unrolling brings, not what a reader may hope for at a sale.
"""

from __future__ import annotations

import argparse
import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from PIL import Image, ImageDraw, ImageFont
from tqdm import tqdm

from service.trials.running import RESULTS, describe_run, write_result

SIDE_PX = 900
WORDS = ("VELDERBY WORKS", "OSMER WARE", "BRINDLOW", "WEXCOMBE FELL", "HAND DECORATED", "CORRICK POTTERY")
LAYOUTS = ("straight", "arc over", "ring")
TURNS = ("upright", "upside down", "slanted")
SHOTS = ("sharp", "blurred", "faint", "noisy", "tilted", "broken")
INKS = ((70, 95, 75), (60, 70, 110), (95, 60, 55), (70, 66, 62))
SEED = 21  # 20 is the one that choices were made on


@dataclass(frozen=True)
class DrawnMark:
    """A mark with what stands in it."""

    picture: np.ndarray  # (h, w, 3) uint8 RGB
    lines: tuple[str, ...]
    layout: str
    turn: str
    shot: str


def draw_mark(layout: str, turn: str, shot: str, random: np.random.Generator) -> DrawnMark:
    """One mark on an off-white base."""
    first, second = random.choice(WORDS, 2, replace=False)
    number = f"{random.choice(['OS', 'BR', 'WF'])}-{random.integers(100, 999)}"
    ink: tuple[int, ...] = INKS[int(random.integers(len(INKS)))]
    base = (238, 234, 226)
    if shot == "faint":
        ink = tuple(round(0.35 * a + 0.65 * b) for a, b in zip(ink, base, strict=True))
    page = Image.new("RGB", (SIDE_PX, SIDE_PX), base)
    size = int(random.integers(46, 66))
    if layout == "straight":
        lines: tuple[str, ...] = (str(first), str(second), number)
        for row, text in enumerate(lines):
            _write_straight(page, text, SIDE_PX / 2 + (row - 1) * 1.5 * size, size, ink)
    else:
        radius = 300.0 if layout == "ring" else 330.0
        _write_round(page, str(first), radius, size, ink, over=True)
        lines = (str(first), number)
        if layout == "ring":
            _write_round(page, str(second), radius, size, ink, over=False)
            lines = (str(first), str(second), number)
        _write_straight(page, number, SIDE_PX / 2, size, ink)
    turn_deg = {"upright": 0.0, "upside down": 180.0, "slanted": float(random.uniform(15, 40))}[turn]
    page = page.rotate(turn_deg, Image.Resampling.BICUBIC, fillcolor=base)
    return DrawnMark(_take(np.asarray(page), shot, random), lines, layout, turn, shot)


def _write_straight(page: Image.Image, text: str, y: float, size: int, ink: tuple[int, ...]) -> None:
    ImageDraw.Draw(page).text(
        (SIDE_PX / 2, y), text, fill=ink, font=ImageFont.load_default(size), anchor="mm"
    )


def _write_round(
    page: Image.Image, text: str, radius: float, size: int, ink: tuple[int, ...], over: bool
) -> None:
    """Letters along a circle: over its middle, feet inwards, or under it, heads inwards."""
    font = ImageFont.load_default(size)
    widths = [font.getlength(letter) * 1.12 for letter in text]
    along = -sum(widths) / 2
    for letter, width in zip(text, widths, strict=True):
        turned = (along + width / 2) / radius
        along += width
        angle = -math.pi / 2 + turned if over else math.pi / 2 - turned
        tile = Image.new("L", (3 * size, 3 * size), 0)
        ImageDraw.Draw(tile).text((1.5 * size, 1.5 * size), letter, fill=255, font=font, anchor="mm")
        turn_deg = -math.degrees(angle + math.pi / 2) if over else -math.degrees(angle - math.pi / 2)
        tile = tile.rotate(turn_deg, Image.Resampling.BICUBIC)
        corner = (
            round(SIDE_PX / 2 + radius * math.cos(angle) - 1.5 * size),
            round(SIDE_PX / 2 + radius * math.sin(angle) - 1.5 * size),
        )
        page.paste(Image.new("RGB", tile.size, ink), corner, tile)


def _take(page: np.ndarray, shot: str, random: np.random.Generator) -> np.ndarray:
    """Uneven light, a little noise, and what the shot adds."""
    rows, columns = np.mgrid[0:SIDE_PX, 0:SIDE_PX] / SIDE_PX
    light = 0.82 + 0.22 * (rows * random.uniform(-1, 1) + columns * random.uniform(-1, 1))
    picture = page * light[..., None]
    if shot == "broken":  # a stamp that took ink badly, in patches of a few pixels
        grain = cv2.GaussianBlur(random.normal(0, 1, page.shape[:2]), (0, 0), 2.2)
        bare = (grain > 0.6 * grain.std())[..., None] & (page.min(axis=2, keepdims=True) < 200)
        picture = np.where(bare, 0.25 * picture + 0.75 * 225 * light[..., None], picture)
    if shot == "tilted":
        corners = np.array([[0, 0], [SIDE_PX, 0], [SIDE_PX, SIDE_PX], [0, SIDE_PX]], np.float32)
        seen = corners + np.array([[90, 60], [-90, 60], [0, 0], [0, 0]], np.float32)
        picture = cv2.warpPerspective(
            picture,
            cv2.getPerspectiveTransform(corners, seen),
            (SIDE_PX, SIDE_PX),
            borderMode=cv2.BORDER_REPLICATE,
        )
    if shot == "blurred":
        picture = cv2.GaussianBlur(picture, (0, 0), 3.0)
    picture += random.normal(0, 14 if shot == "noisy" else 3, picture.shape)
    lit: np.ndarray = np.clip(picture, 0, 255).astype(np.uint8)
    return lit


def draw_marks(count: int, seed: int = SEED) -> list[DrawnMark]:
    """Marks over all layouts, turns and shots in turn."""
    random = np.random.default_rng(seed)
    kinds = [(layout, turn, shot) for shot in SHOTS for layout in LAYOUTS for turn in TURNS]
    return [draw_mark(*kinds[number % len(kinds)], random) for number in range(count)]


def count_errors(read: str, meant: str) -> int:
    """Letters to change, add or drop (Levenshtein), case and blanks left out of account."""
    one, other = ("".join(text.upper().split()) for text in (read, meant))
    row = list(range(len(other) + 1))
    for number, letter in enumerate(one, 1):
        before, row[0] = row[0], number
        for place, wanted in enumerate(other, 1):
            before, row[place] = (
                row[place],
                min(row[place] + 1, row[place - 1] + 1, before + (letter != wanted)),
            )
    return row[-1]


def score_lines(read: Sequence[str], meant: Sequence[str]) -> tuple[int, int, int]:
    """(lines read exactly, letter errors, letters) with each line held against the best of those read."""
    exact = errors = letters = 0
    for line in meant:
        length = len("".join(line.split()))
        fewest = min((count_errors(text, line) for text in read), default=length)
        exact += fewest == 0
        errors += min(fewest, length)
        letters += length
    return exact, errors, letters


def measure(count: int, seed: int = SEED) -> dict[str, Any]:
    """Read so many marks, each as it is and with unrolling left out, and count what is right."""
    from service.register import mark_text

    rows = []
    for mark in tqdm(draw_marks(count, seed), unit="mark"):
        suggestion = mark_text.suggest_mark_text(mark.picture)
        plain = [line.text for line in mark_text.read_straight(mark.picture)]
        ours = score_lines([line.text for line in suggestion.lines], mark.lines)
        rows.append((mark, ours, score_lines(plain, mark.lines)))
    groups = {"all": rows}
    for name, values in (("layout", LAYOUTS), ("turn", TURNS), ("shot", SHOTS)):
        groups |= {value: [row for row in rows if getattr(row[0], name) == value] for value in values}
    return {
        "what": "text of drawn marks; lines read without a single wrong letter, and share of letters right",
        "n_marks": count,
        "seed": seed,
        "groups": {name: _sum_up(group) for name, group in groups.items()},
    }


def bound_share(hits: int, tries: int) -> tuple[float, float]:
    """95 % interval of a share (E. B. Wilson, J. Am. Stat. Assoc. 22, 1927)."""
    z = 1.959964
    if tries == 0:
        return 0.0, 1.0
    share, spread = hits / tries, z * z / tries
    middle = share + spread / 2
    reach = z * math.sqrt(share * (1 - share) / tries + spread / tries / 4)
    return round((middle - reach) / (1 + spread), 4), round((middle + reach) / (1 + spread), 4)


def _sum_up(rows: Sequence[tuple[DrawnMark, tuple[int, int, int], tuple[int, int, int]]]) -> dict[str, Any]:
    lines = sum(len(mark.lines) for mark, _, _ in rows)
    letters = sum(ours[2] for _, ours, _ in rows) or 1
    exact = sum(ours[0] for _, ours, _ in rows)
    return {
        "marks": len(rows),
        "lines": lines,
        "lines_exact": exact,
        "share_exact_95": bound_share(exact, lines),
        "letters_right": round(1 - sum(ours[1] for _, ours, _ in rows) / letters, 4),
        "lines_exact_without_unrolling": sum(plain[0] for _, _, plain in rows),
    }


def main() -> None:
    """Measure and write the result."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--count", type=int, default=54, help="marks to read (54 is each kind once)")
    parser.add_argument("--out", type=Path, default=RESULTS / "marks.json")
    options = parser.parse_args()
    from service.register.mark_text import MISSING, can_read_marks

    if not can_read_marks():
        raise SystemExit(MISSING)
    write_result(options.out, measure(options.count) | {"run": describe_run(SEED)})


if __name__ == "__main__":
    main()
