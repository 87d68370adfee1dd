"""The order of the steps: photo bytes in, a reading out. No other file knows it."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import ParamSpec, TypeVar

import cv2
import numpy as np
import numpy.typing as npt

from model import facts
from model.bands import Bands, separate_print
from model.colour import srgb_bytes
from model.colour_line import measure_colour_line
from model.hints import check_neutral, check_trace
from model.label_rows import lay_rows
from model.level_border import level_border
from model.light import find_light
from model.lines import name_lines
from model.lookup import Gallery, Matches, look_up
from model.motif import Window, cut_windows
from model.network import Embedder
from model.photo import Photo, decode_photo
from model.piece import Piece, find_piece
from model.repeats import count_repeats
from model.rim_band import RimStrip, unroll_rim
from model.straighten import straighten_strip
from model.strip_labels import StripLabels
from model.surroundings import Surroundings, look_around
from model.trim import JudgedRegion, judge_regions, judge_trim
from model.trim_print import Print, find_print
from model.witness import Heard, hear_witness

# Sources: FDA Food Code 4-101.13; Sheets 1997, Sci. Total Environ. 197:167-175 (78 of 149 old overglaze
# dishes leached over the guidance level); microwave arcing of metal trim: common practice, no source.
CAUTIONS = (
    "A visual opinion from a photo: not an assay, an authentication or an appraisal.",
    "It cannot show lead, cadmium or uranium. Treat old decorated ware as display-only unless an accredited "
    "laboratory has tested your piece; rules differ by place and can apply to sellers: check local law.",
    "No microwave, dishwasher, abrasive, polish or bleach on metal trim; no acid, scratch or flame test.",
    "Gold and platinum verdicts were fitted on rendered pictures and are unverified on real photos.",
)

Given = ParamSpec("Given")
Found = TypeVar("Found")

UNSEEN_GREY = 128  # in the strip's picture, where the photo shows nothing of the rim


@dataclass(frozen=True)
class ReadResult:
    """A reading with what the store keeps beside it.

    ``strip_png`` is the unrolled band in sRGB or None; ``vectors`` is (n, d) float32, one unit row a window.
    """

    reading: facts.Reading
    strip_png: bytes | None
    windows: tuple[Window, ...]
    vectors: npt.NDArray[np.float32] | None


class _Laps:
    """Milliseconds each step took, by the caller's clock; the model itself has none.

    Some steps run beside others, so that their sum may exceed the total.
    """

    def __init__(self, clock: Callable[[], float] | None) -> None:
        self._clock = clock
        self._start = clock() if clock else 0.0
        self.timing_ms: dict[str, float] = {}

    def timed(self, step: str, call: Callable[Given, Found]) -> Callable[Given, Found]:
        """The call with its time added to the step's."""
        clock = self._clock
        if clock is None:
            return call

        def run(*args: Given.args, **kwargs: Given.kwargs) -> Found:
            start = clock()
            found = call(*args, **kwargs)
            taken = (clock() - start) * 1000
            self.timing_ms[step] = round(self.timing_ms.get(step, 0.0) + taken, 2)
            return found

        return run

    def finish(self) -> dict[str, float]:
        """All steps' times with the total."""
        if self._clock is not None:
            self.timing_ms["total"] = round((self._clock() - self._start) * 1000, 2)
        return self.timing_ms


def read_photo(
    data: bytes,
    *,
    embedder: Embedder | None,
    gallery: Gallery | None,
    neutral: tuple[float, float] | None = None,
    trace: npt.NDArray[np.float64] | None = None,
    diameter_mm: float | None = None,
    reading_id: str = "",
    clock: Callable[[], float] | None = None,
) -> ReadResult:
    """Read one photo.

    Parameters
    ----------
    data
        The file's bytes, as uploaded.
    embedder, gallery
        The network and the labelled vectors to match against; None leaves the candidates out.
    neutral
        ``(x, y)`` of a point the user says is white or grey, in upright photo pixels.
    trace
        (N, 2) float64 polyline drawn along the border, in upright photo pixels.
    diameter_mm
        The lip's diameter where a person measured it.
    reading_id
        Identifier the caller gives the reading; default: the start of the photo's hash.
    clock
        Seconds, monotonic; without it ``timing_ms`` stays empty.

    Raises
    ------
    model.errors.PhotoError
        The bytes cannot be read as a photo.
    model.errors.HintError
        ``neutral`` or ``trace`` do not lie in the photo, or ``diameter_mm`` is no size of tableware.
    """
    laps = _Laps(clock)
    photo = laps.timed("decode", decode_photo)(data)
    check_neutral(neutral, photo.width, photo.height)
    check_trace(trace, photo.width, photo.height)
    piece = laps.timed("piece", find_piece)(photo, trace, diameter_mm=diameter_mm)
    with ThreadPoolExecutor(max_workers=1) as beside:  # what depends on little else takes a second core
        looked = beside.submit(laps.timed("light", look_around), photo, piece)
        strip = laps.timed("strip", _level_strip)(photo, piece)
        bare = None if strip is None else laps.timed("print", separate_print)(strip)
        around = looked.result()
        light = laps.timed("light", find_light)(photo, piece, strip, bare, neutral, around=around)
        found = None if strip is None or bare is None else laps.timed("print", find_print)(strip, bare)
        heard = laps.timed("labels", _label)(strip, found, light, around)
        labels = None if heard is None else heard.labels
        bands = laps.timed("bands", _lay_rows)(strip, bare, labels)
        level, level_bands = laps.timed("bands", _level_border)(strip, bands, labels)
        counted = beside.submit(laps.timed("repeats", _count), level, level_bands)
        matched = beside.submit(
            lambda: laps.timed("motif", _match)(level, level_bands, counted.result(), embedder, gallery)
        )
        judged = laps.timed("trim", _judge)(strip, found, light, around, heard)
        trim = laps.timed("trim", judge_trim)(strip, light, heard, judged, reason=piece.reason)
        trim = replace(trim, colour_line=measure_colour_line(strip, found, judged))
        lines = laps.timed("lines", name_lines)(strip, bands, light, trim, labels, judged)
        strip_png = laps.timed("strip picture", _encode_strip)(level)
        border = counted.result()
        windows, vectors, matches = matched.result()
    reading = facts.Reading(
        id=reading_id or photo.sha256[:20],
        photo=facts.PhotoFacts(photo.width, photo.height, photo.sha256, photo.taken_at),
        piece=piece.facts(),
        light=light,
        trim=trim,
        lines=lines,
        border=border,
        candidates=matches.candidates,
        not_in_gallery_probability=matches.not_in_gallery_probability,
        strip_first_column_deg=None if strip is None else float(strip.column_deg[0]),
        cautions=CAUTIONS,
        timing_ms=laps.finish(),
    )
    return ReadResult(reading, strip_png, windows, vectors)


def _level_strip(photo: Photo, piece: Piece) -> RimStrip | None:
    strip = unroll_rim(photo, piece)
    return None if strip is None else straighten_strip(strip)


def _label(
    strip: RimStrip | None, found: Print | None, light: facts.Light, around: Surroundings
) -> Heard | None:
    if strip is None or found is None:
        return None
    return hear_witness(strip, found.glaze_linear_rgb, light, around.colours)


def _lay_rows(strip: RimStrip | None, bare: Bands | None, labels: StripLabels | None) -> Bands | None:
    return None if strip is None or bare is None else lay_rows(strip, bare, labels)


def _level_border(
    strip: RimStrip | None, bands: Bands | None, labels: StripLabels | None
) -> tuple[RimStrip | None, Bands | None]:
    return (strip, bands) if strip is None or bands is None else level_border(strip, bands, labels)


def _judge(
    strip: RimStrip | None, found: Print | None, light: facts.Light, around: Surroundings, heard: Heard | None
) -> list[JudgedRegion]:
    if strip is None or found is None or heard is None:
        return []
    return judge_regions(strip, found, light, around.colours, heard.labels)


def _count(strip: RimStrip | None, bands: Bands | None) -> facts.Border | None:
    return None if strip is None or bands is None else count_repeats(strip, bands)


def _match(
    strip: RimStrip | None,
    bands: Bands | None,
    border: facts.Border | None,
    embedder: Embedder | None,
    gallery: Gallery | None,
) -> tuple[tuple[Window, ...], npt.NDArray[np.float32] | None, Matches]:
    """Cut, embed and look up; without a border or a network there is nothing to match."""
    empty = gallery is None or len(gallery.items) == 0
    nothing = Matches((), 1.0 if empty else None)
    if strip is None or bands is None or embedder is None:
        return (), None, nothing
    windows = cut_windows(strip, bands, border)
    if not windows:
        return (), None, nothing
    vectors = embedder.embed(windows)
    if empty or gallery is None:
        return windows, vectors, nothing
    weights = np.array([window.weight for window in windows], dtype=np.float32)
    return windows, vectors, look_up(vectors, weights, gallery)


def _encode_strip(strip: RimStrip | None) -> bytes | None:
    """The strip as PNG bytes in sRGB."""
    if strip is None:
        return None
    picture = srgb_bytes(strip.linear_rgb)
    picture[~strip.seen_mask] = UNSEEN_GREY
    ok, png = cv2.imencode(".png", picture[..., ::-1], [cv2.IMWRITE_PNG_COMPRESSION, 2])
    return png.tobytes() if ok else None
