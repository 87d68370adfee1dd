"""Places of edge and verge lines: found in their rows whatever sign they have from block to block."""

from __future__ import annotations

import numpy as np

from model.line_rows import find_unit_px, propose_edge, propose_verge

ROWS, COLUMNS, LIP, UNIT = 120, 640, 5, 6.0


def _planes(edge: bool, verge: bool) -> tuple[np.ndarray, np.ndarray]:
    """Log departures with lines that are brighter than the glaze here and darker there, as metal is."""
    planes = np.random.default_rng(2).normal(0, 0.02, (3, ROWS, COLUMNS)).astype(np.float32)
    mirrored = np.where(np.sin(np.arange(COLUMNS) / 40) > 0, 0.4, -0.5).astype(np.float32)
    for wanted, row in ((edge, LIP + 1), (verge, 90)):
        if wanted:
            planes[0, row : row + 4] += mirrored
            planes[2, row : row + 4] -= 0.5
    inside = np.ones((ROWS, COLUMNS), dtype=bool)
    inside[: LIP + 1] = False
    return planes, inside


def test_both_lines_are_proposed_in_their_own_rows() -> None:
    planes, inside = _planes(edge=True, verge=True)
    edge = propose_edge(planes, inside, LIP, UNIT, 1.0)
    verges = propose_verge(planes, inside, LIP, UNIT, 1.0)
    assert edge is not None
    assert edge.row0 <= LIP + 2 and LIP + 4 <= edge.row1 <= LIP + 7
    assert 88 <= verges[0].row0 <= 91 and 93 <= verges[0].row1 <= 96
    assert verges[0].facts["b middle"] < -0.3 and verges[0].facts["y size"] > 0.3


def test_a_line_stands_out_more_than_bare_glaze_does() -> None:
    with_line, inside = _planes(edge=False, verge=True)
    without, _ = _planes(edge=False, verge=False)
    found = propose_verge(with_line, inside, LIP, UNIT, 1.0)[0]
    bare = propose_verge(without, inside, LIP, UNIT, 1.0)[0]
    assert found.facts["rise"] > 3 * bare.facts["rise"]


def test_nothing_is_proposed_where_nothing_is_seen() -> None:
    planes, inside = _planes(edge=True, verge=True)
    assert propose_edge(planes, np.zeros_like(inside), LIP, UNIT, 1.0) is None
    assert propose_verge(planes, np.zeros_like(inside), LIP, UNIT, 1.0) == []


def test_without_a_diameter_the_rows_tell_the_unit() -> None:
    assert find_unit_px(165, 5, float("nan")) == 10.0
    assert find_unit_px(165, 5, 800.0) == 8.0
