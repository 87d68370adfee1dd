"""Pictures of counts: the grid motif × line × metal, and aoristic sums by year."""

from __future__ import annotations

import math

from service.register import svg
from service.register.aoristic import AoristicSums
from service.register.grid import Cell, Grid

LABEL_WIDTH, CELL_WIDTH, CELL_HEIGHT, HEAD, EDGE = 210, 66, 26, 96, 16
# Steps of the tint that grows with the count, from paper to pale metal; text stays legible on all of them.
_TINTS = {
    "gold": ("#faf5e6", "#f3e6c2", "#e9d59d"),
    "platinum": ("#f0f3f5", "#dfe6ea", "#c8d4db"),
    None: ("#f5f2ee", "#ece7e1", "#ddd5cc"),
}
MORE_PER_TINT = 8  # a tint darker from 8 pieces on, another from 64; our own choice
CHART_WIDTH, CHART_HEIGHT = 760, 220


def draw_grid(grid: Grid, title: str = "Motif, line and metal") -> str:
    """Counts as an SVG picture: a row for each motif, two columns (gold, platinum) for each line."""
    metals = grid.metals
    columns = len(grid.lines) * len(metals)
    blanks = len(grid.find_blanks())
    described = (
        f"{len(grid.motifs)} motifs on {len(grid.lines)} lines, {grid.pieces} pieces. Each box holds the "
        f"number of pieces; {blanks} combinations of a named motif, line and metal have none in this "
        f"register. The table holds the same with the dates at both ends."
    )
    width = max(LABEL_WIDTH + columns * CELL_WIDTH + EDGE, 420)
    height = HEAD + len(grid.motifs) * CELL_HEIGHT + EDGE
    page = svg.SvgPage("grid", title, described, width, height)
    page.text(EDGE, 26, title, size=16, bold=True)
    for number, (_, name) in enumerate(grid.lines):
        x = LABEL_WIDTH + number * len(metals) * CELL_WIDTH
        most = max(6, int(len(metals) * CELL_WIDTH / 7.5))
        page.text(x + 4, 58, svg.shorten(name, most), bold=True, hint=name)
        for place, metal in enumerate(metals):
            page.text(x + place * CELL_WIDTH + 4, 82, metal or "metal ?", fill=svg.QUIET, size=12)
        page.line(x, 42, x, height - EDGE)
    for row, (motif, name) in enumerate(grid.motifs):
        y = HEAD + row * CELL_HEIGHT
        page.text(EDGE, y + 17, svg.shorten(name, 26), hint=name)
        for column, (line, _) in enumerate(grid.lines):
            for place, metal in enumerate(metals):
                x = LABEL_WIDTH + (column * len(metals) + place) * CELL_WIDTH
                _draw_cell(page, grid.cells.get((motif, line, metal)), x, y)
    return page.write()


def _draw_cell(page: svg.SvgPage, cell: Cell | None, x: float, y: float) -> None:
    if cell is None:
        page.rect(x + 2, y + 2, CELL_WIDTH - 4, CELL_HEIGHT - 4, svg.PAPER, "none in this register", svg.RULE)
        return
    step = min(2, int(math.log(cell.pieces) / math.log(MORE_PER_TINT)))
    fill = _TINTS.get(cell.metal, _TINTS[None])[step]
    ends = [s for s in (cell.extent.first, cell.extent.last) if s is not None]
    dated = ", ".join(f"{s.year} by piece {s.piece_number}" for s in ends) or "none dated"
    page.rect(x + 2, y + 2, CELL_WIDTH - 4, CELL_HEIGHT - 4, fill, f"{cell.pieces} pieces; {dated}")
    page.text(x + CELL_WIDTH / 2, y + 17, str(cell.pieces), "middle")


def draw_sums(sums: AoristicSums, title: str = "Pieces by year, spread over their brackets") -> str:
    """Aoristic sums as an SVG chart of boxes."""
    top = max(sums.sums, default=0.0)
    left = f"; {sums.left_out} without a bracket closed at both sides are left out" if sums.left_out else ""
    described = f"{sums.spread} pieces spread over the years that each may be of{left}. Sums, not dates."
    page = svg.SvgPage("sums", title, described, CHART_WIDTH, CHART_HEIGHT + 110)
    page.text(EDGE, 26, title, size=16, bold=True)
    page.text(EDGE, 46, described, fill=svg.QUIET, size=12)
    base = CHART_HEIGHT + 70
    page.line(EDGE, base, CHART_WIDTH - EDGE, base, svg.QUIET)
    step = (CHART_WIDTH - 2 * EDGE) / max(1, len(sums.sums))
    every = max(1, math.ceil(len(sums.sums) / 12))
    for number, value in enumerate(sums.sums):
        x, height = EDGE + number * step, CHART_HEIGHT * value / top
        first, last = sums.edges[number], sums.edges[number + 1] - 1
        page.rect(x + 1, base - height, step - 2, height, svg.PLATINUM, f"{first} to {last}: {value:.2f}")
        if number % every == 0:
            page.text(x, base + 18, str(first), fill=svg.QUIET, size=12)
    if top:
        page.text(CHART_WIDTH - EDGE, 66, f"highest {top:.1f} pieces", "end", svg.QUIET, 12)
    return page.write()


def tabulate_sums(sums: AoristicSums) -> tuple[tuple[str, str, str], ...]:
    """Headings and a row for each bin."""
    rows = [
        (str(first), str(after - 1), f"{value:.3f}")
        for first, after, value in zip(sums.edges, sums.edges[1:], sums.sums, strict=False)
    ]
    return (("from", "to", "pieces"), *rows)
