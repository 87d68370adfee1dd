"""Fit the score of border rows on rendered strips: ``python -m training.fit_borders [--strips N]``.

Writes ``model/weights/borders.json`` with how well it does on strips of motifs from another source.
Strips whose print nowhere shows (its contrast is under the noise) are left out: they teach nothing.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np

from model.bands import span_proposals
from model.border_score import RECIPE, SpanFacts, estimate_overlaps
from model.glaze import estimate_glaze
from model.trees import Trees
from training.art.library import load_motifs
from training.fit_trees import Sample, Shape, fit_regression
from training.render.strip import StripPicture, render_strip

METALS = ("gold", "platinum", "paint", "gold")
PLAIN_SHARE = 0.25
LEAST_VISIBLE = 0.05
# Of plain strips, the share on which a border may be claimed; later steps doubt it again by its repeats.
CLAIMED_ON_PLAIN = 0.10
SHAPE = Shape(leaves=8, iterations=70, rate=0.12, least_in_leaf=25)


@dataclass(frozen=True)
class Case:
    """One strip's proposals, their overlaps with the true border, and whether it has one."""

    facts: list[SpanFacts]
    overlap: list[float]
    bordered: bool


def draw_cases(strips: int, seed: int, split: str = "train") -> Iterator[Case]:
    """Render strips and describe every proposed span."""
    motifs = load_motifs(split)  # type: ignore[arg-type]
    for index in range(strips):
        rng = np.random.default_rng([seed, index])
        plain = rng.random() < PLAIN_SHARE
        told = {"border_height_px": 0.0} if plain else {}
        motif = motifs[int(rng.integers(len(motifs)))]
        picture = render_strip(motif, rng, METALS[index % 4], **told)  # type: ignore[arg-type]
        proposals = span_proposals(picture.strip)
        if not proposals or (not plain and measure_visibility(picture) < LEAST_VISIBLE):
            continue
        overlap = [0.0 if plain else overlap_of_rows(span, picture) for span, _ in proposals]
        yield Case([facts for _, facts in proposals], overlap, not plain)


def measure_visibility(picture: StripPicture) -> float:
    """Median |contrast| of what is left of the border's ink."""
    truth = picture.truth
    inside = picture.strip.seen_mask & (np.arange(len(truth.cover))[:, None] > picture.strip.lip_row)
    glaze = estimate_glaze(picture.strip.linear_rgb, inside, picture.strip.closed)
    if glaze is None:
        return 0.0
    contrast = glaze.planes[0] - glaze.glaze[0]
    ink = (truth.cover * truth.left > 0.5) & picture.strip.seen_mask
    row0, row1 = (round(row) for row in truth.border_rows)
    inked = np.abs(contrast[max(0, row0) : row1][ink[max(0, row0) : row1]])
    return float(np.median(inked)) if inked.size > 30 else 0.0


def overlap_of_rows(span: tuple[int, int], picture: StripPicture) -> float:
    """Intersection over union of rows with the true border."""
    row0, row1 = picture.truth.border_rows
    row1 = min(row1, picture.strip.encoded.shape[0])
    both = max(0.0, min(row1, span[1]) - max(row0, span[0]))
    return float(both / (max(row1, span[1]) - min(row0, span[0])))


def fit_score(cases: list[Case]) -> dict[str, Any]:
    """Recipe of boosted trees that estimate the overlap of a span."""
    samples = [
        Sample(facts.features(), overlap, str(number))
        for number, case in enumerate(cases)
        for facts, overlap in zip(case.facts, case.overlap, strict=True)
    ]
    names = list(samples[0].features)
    return fit_regression(samples, names, rising=(), shape=SHAPE).recipe


def choose_level(cases: list[Case], trees: Trees) -> float:
    """Estimated overlap that a given share of plain strips does not reach."""
    highest = [float(estimate_overlaps(case.facts, trees).max()) for case in cases if not case.bordered]
    return float(np.quantile(highest, 1 - CLAIMED_ON_PLAIN)) if highest else 0.5


def report(cases: list[Case], trees: Trees, level: float) -> dict[str, float]:
    """Overlap of the chosen span, borders missed, plain strips with a border claimed."""
    overlaps, best, missed, claimed, plain = [], [], 0, 0, 0
    for case in cases:
        estimates = estimate_overlaps(case.facts, trees)
        chosen = int(estimates.argmax())
        found = bool(estimates[chosen] >= level)
        if not case.bordered:
            plain, claimed = plain + 1, claimed + int(found)
            continue
        missed += int(not found)
        best.append(max(case.overlap))
        overlaps.append(case.overlap[chosen] if found else 0.0)
    got = np.array(overlaps)
    return {
        "bordered": len(got),
        "overlap_mean": round(float(got.mean()), 3),
        "overlap_of_best_proposal": round(float(np.mean(best)), 3),
        "overlap_over_0.7_share": round(float(np.mean(got >= 0.7)), 3),
        "missed": missed,
        "plain": plain,
        "claimed_on_plain": claimed,
    }


def main() -> None:
    """Fit on one set of motifs, report on another."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--strips", type=int, default=2000)
    parser.add_argument("--seed", type=int, default=5)
    told = parser.parse_args()
    recipe = fit_score(list(draw_cases(told.strips, told.seed)))
    trees = Trees.from_recipe(recipe)
    level = choose_level(list(draw_cases(told.strips // 4, told.seed + 1)), trees)
    scores = report(list(draw_cases(told.strips // 3, told.seed + 2, "validation")), trees, level)
    recipe |= {"least_overlap": round(level, 3), "strips": told.strips, "seed": told.seed, "rendered": scores}
    RECIPE.write_text(json.dumps(recipe), encoding="utf-8")
    print(json.dumps(scores, indent=1))


if __name__ == "__main__":
    main()
