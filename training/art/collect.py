"""Collect glyph art into one compact cache: ``python -m training.art.collect FOLDER CACHE``.

FOLDER holds unpacked packages: for each icon set ``<set>/package/icons.json`` (as ``npm pack`` and ``tar x``
give it), and the sign fonts ``Maya_hint.ttf`` and ``Cretan_hint.ttf`` of Debian's fonts-ancient-scripts
anywhere below it. The art is never committed; ``SOURCES.md`` names every source with its licence.
"""

from __future__ import annotations

import argparse
import io
import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

GLYPH_PX = 96
# Drawn this much larger, then brought down, so that every set is cut off at the same smoothness.
OVERSAMPLING = 3
LEAST_INK_SHARE, MOST_INK_SHARE = 0.04, 0.75
# Two drawings whose 24 x 24 reductions have this cosine are the same drawing, be it in two sets.
SAME_DRAWING_COSINE = 0.95
REDUCED_PX = 24
LARGEST_SET = 4200
PRIVATE_USE = ((0xE000, 0xF8FF), (0xF0000, 0xFFFFD), (0x100000, 0x10FFFD))


@dataclass(frozen=True)
class SvgSet:
    """An icon set of the npm registry and the split that it serves."""

    name: str
    split: str
    ending: str = ""


SVG_SETS = (
    SvgSet("emojione-monotone", "validation"),
    SvgSet("game-icons", "train"),
    SvgSet("fluent-emoji-high-contrast", "train"),
    SvgSet("ph", "train", "-fill"),
    SvgSet("maki", "train"),
    SvgSet("mdi", "train"),
)
SIGN_FONTS = (("maya", "Maya_hint.ttf"), ("cretan", "Cretan_hint.ttf"))
Glyph = tuple[str, npt.NDArray[np.float32]]


def collect(folder: Path, cache: Path) -> dict[str, int]:
    """Render every set found below ``folder`` and write the cache; returns glyphs kept of each set.

    Raises
    ------
    FileNotFoundError
        None of the sets is there.
    """
    kept = _Kept()
    for name, file in SIGN_FONTS:
        for path in sorted(folder.rglob(file))[:1]:
            kept.add_all(name, "exam", draw_font(path))
    for svg_set in SVG_SETS:
        for path in sorted(folder.glob(f"*{svg_set.name}*/package/icons.json"))[:1]:
            kept.add_all(svg_set.name, svg_set.split, draw_svg_set(path, svg_set.ending))
    if not kept.names:
        raise FileNotFoundError(f"no icon set and no sign font below {folder}")
    kept.save(cache)
    return kept.counts


class _Kept:
    """Glyphs kept so far; refuses a drawing that is already there in any set, so that sets stay disjoint."""

    def __init__(self) -> None:
        self.bits: list[npt.NDArray[np.uint8]] = []
        self.names: list[str] = []
        self.sets: list[str] = []
        self.splits: list[str] = []
        self.counts: dict[str, int] = {}
        self._reduced = np.zeros((len(SVG_SETS + SIGN_FONTS) * LARGEST_SET, REDUCED_PX**2), np.float32)

    def add_all(self, name: str, split: str, glyphs: Iterator[Glyph]) -> None:
        """Add the glyphs of one set until it is full."""
        for glyph_name, ink in glyphs:
            if self.counts.get(name, 0) >= LARGEST_SET:
                return
            if self._is_new(ink):
                self.bits.append(np.packbits(ink > 0.5))
                self.names.append(glyph_name)
                self.sets.append(name)
                self.splits.append(split)
                self.counts[name] = self.counts.get(name, 0) + 1

    def _is_new(self, ink: npt.NDArray[np.float32]) -> bool:
        if not LEAST_INK_SHARE <= float(ink.mean()) <= MOST_INK_SHARE:
            return False
        side = GLYPH_PX // REDUCED_PX
        small = ink.reshape(REDUCED_PX, side, REDUCED_PX, side).mean(axis=(1, 3)).ravel()
        # Unit rows: the product is the cosine of two drawings.
        small /= np.linalg.norm(small)
        earlier = self._reduced[: len(self.names)]
        if (earlier @ small > SAME_DRAWING_COSINE).any():
            return False
        self._reduced[len(self.names)] = small
        return True

    def save(self, cache: Path) -> None:
        np.savez_compressed(
            cache,
            bits=np.stack(self.bits),
            names=np.array(self.names),
            sets=np.array(self.sets),
            splits=np.array(self.splits),
        )


def draw_svg_set(path: Path, ending: str = "") -> Iterator[Glyph]:
    """Names and (96, 96) ink 0..1 of the icons of an icons.json whose name has the ending."""
    import resvg_py
    from PIL import Image

    data = json.loads(path.read_text(encoding="utf-8"))
    side = GLYPH_PX * OVERSAMPLING
    for name, icon in data["icons"].items():
        if not name.endswith(ending) or icon.get("hidden"):
            continue
        width, height = icon.get("width", data.get("width", 16)), icon.get("height", data.get("height", 16))
        left, top = icon.get("left", 0), icon.get("top", 0)
        svg = (
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="{left} {top} {width} {height}" color="#000" '
            f'width="{side}" height="{side}">{icon["body"]}</svg>'
        )
        png = resvg_py.svg_to_bytes(svg_string=svg, skip_system_fonts=True)
        ink = np.asarray(Image.open(io.BytesIO(bytes(png))))[..., 3].astype(np.float32) / np.float32(255)
        fitted = fit_ink(ink)
        if fitted is not None:
            yield name, fitted


def draw_font(path: Path) -> Iterator[Glyph]:
    """Names and (96, 96) ink 0..1 of a sign font's private-use characters."""
    import freetype

    face = freetype.Face(str(path))
    face.set_pixel_sizes(0, GLYPH_PX * OVERSAMPLING)
    for code, index in face.get_chars():
        if not any(low <= code <= high for low, high in PRIVATE_USE):
            continue
        face.load_glyph(index, freetype.FT_LOAD_RENDER | freetype.FT_LOAD_NO_HINTING)
        bitmap = face.glyph.bitmap
        if bitmap.rows == 0 or bitmap.width == 0:
            continue
        rows = np.array(bitmap.buffer, dtype=np.uint8).reshape(bitmap.rows, bitmap.pitch)
        fitted = fit_ink(rows[:, : bitmap.width].astype(np.float32) / np.float32(255))
        if fitted is not None:
            yield f"{code:x}", fitted


def fit_ink(ink: npt.NDArray[np.float32]) -> npt.NDArray[np.float32] | None:
    """Crop to the ink and scale, aspect kept, into the middle of (96, 96); None without ink."""
    import cv2

    rows, columns = np.flatnonzero((ink > 0.5).any(1)), np.flatnonzero((ink > 0.5).any(0))
    if len(rows) == 0 or len(columns) == 0:
        return None
    crop = ink[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1]
    scale = GLYPH_PX / max(crop.shape)
    size = (max(1, round(crop.shape[1] * scale)), max(1, round(crop.shape[0] * scale)))
    small = cv2.resize(crop, size, interpolation=cv2.INTER_AREA if scale < 1 else cv2.INTER_LINEAR)
    out = np.zeros((GLYPH_PX, GLYPH_PX), np.float32)
    top, left = (GLYPH_PX - size[1]) // 2, (GLYPH_PX - size[0]) // 2
    out[top : top + size[1], left : left + size[0]] = small
    return out


def main() -> None:
    """Parse the command line, collect, print what was kept."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("cache", type=Path)
    told = parser.parse_args()
    for name, count in collect(told.folder, told.cache).items():
        print(f"{name:28} {count}")
    print(f"{told.cache.stat().st_size / 1e6:.1f} MB")


if __name__ == "__main__":
    main()
