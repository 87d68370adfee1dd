"""A drawn line: a sloppy finger, any direction, open or closed, gives the rim it follows."""

from __future__ import annotations

import numpy as np
import pytest

from model.ellipse import polygon_iou, sample_ellipse
from model.facts import Ellipse
from model.photo import photo_from_rgb
from model.trace_lip import lip_from_trace

BORDER = Ellipse(600, 450, 264, 176, 20)  # .12 inside a lip of 300 by 200
LIP = Ellipse(600, 450, 300, 200, 20)


def _finger(from_share: float, to_share: float, backwards: bool) -> np.ndarray:
    """A line along the border with smooth jitter of 12 px, what a finger on a phone's screen strays."""
    line = sample_ellipse(BORDER, 360)[int(360 * from_share) : int(360 * to_share)]
    rng = np.random.default_rng(3)
    along = np.linspace(0, 1, len(line))
    stray = [np.interp(along, np.linspace(0, 1, 16), rng.uniform(-12, 12, 16)) for _ in range(2)]
    line = line + np.stack(stray, axis=1)
    return np.asarray(line[::-6] if backwards else line[::6])


@pytest.mark.parametrize("backwards", [False, True])
@pytest.mark.parametrize(("first", "last"), [(0.0, 1.0), (0.1, 0.8)])
def test_a_line_most_of_the_way_round_gives_the_lip_even_where_no_edge_shows(
    first: float, last: float, backwards: bool
) -> None:
    plain = photo_from_rgb(np.full((900, 1200, 3), 120, np.uint8))
    lip = lip_from_trace(_finger(first, last, backwards), plain)
    assert lip is not None
    assert polygon_iou(lip.curve, sample_ellipse(LIP)) > 0.93


def test_a_short_line_and_a_scribble_give_no_lip() -> None:
    plain = photo_from_rgb(np.full((900, 1200, 3), 120, np.uint8))
    assert lip_from_trace(_finger(0.0, 0.3, False), plain) is None
    rng = np.random.default_rng(1)
    assert lip_from_trace(rng.uniform(100, 800, (60, 2)), plain) is None
