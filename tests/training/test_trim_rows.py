"""Rows of photos that a network labelled: what is kept, and what the fits make of it."""

from __future__ import annotations

import json
import pickle
from dataclasses import asdict
from pathlib import Path

import numpy as np
import pytest

from model.colour import GOLD_LINEAR_RGB, srgb_bytes
from model.facts import Light
from model.rim_band import strip_from_rgb
from model.strip_labels import MATERIALS, ROLES
from model.trim_print import Print
from model.wear import SECTORS, Wear
from model.witness import Answer
from model.witness_input import COLUMNS, LIP_AT, ROWS, place_windows
from model.worn import WearRecipe, judge_wear, wear_features
from training import fit_trees, fit_wear
from training.fit_wear import WearSample
from training.kept_photo import KeptPhoto
from training.trim_features_table import PhotoRow, row_of_trim
from training.trim_truth import PhotoTruth
from training.witness_rows import FINAL, list_tasks, measure_task

GLAZE = np.array([0.6, 0.6, 0.6])
WIDTH, LINE = 900, (20, 30)


def true_photo(name: str, metal: str, left: float) -> PhotoTruth:
    return PhotoTruth(
        group=name,
        scene=name,
        metal=metal,
        worn=left < 0.75,
        dull_share=0.0,
        remaining_share=left,
        sectors=[left] * 36,
        border_colour=None,
        edge_colour=metal,
        verge_colour=None,
        decal=False,
        light="D65",
        glaze="white",
        paper=False,
        table="oak",
        shape="plate",
        framing="album",
        white_rgb=[1.0, 1.0, 1.0],
        visible_share=1.0,
    )


def keep_photo(name: str = "a", left: float = 1.0) -> tuple[KeptPhoto, Answer]:
    """A white rim with a gold line, worn in short gaps; and an answer that sees it as it is."""
    rng = np.random.default_rng(len(name) + round(100 * left))
    linear = np.tile(GLAZE, (120, WIDTH, 1))
    there = np.repeat(rng.random(WIDTH // 10) < left, 10)
    linear[LINE[0] : LINE[1], there] = 0.5 * GOLD_LINEAR_RGB
    strip = strip_from_rgb(srgb_bytes(linear), lip_row=10)
    glaze = np.broadcast_to(GLAZE.astype(np.float32), strip.linear_rgb.shape).copy()
    found = Print(glaze, np.abs(np.log(strip.linear_rgb / glaze)).sum(axis=-1).astype(np.float32))
    places = place_windows(strip)
    cells = np.zeros(
        (len(places.starts), len(MATERIALS) + len(ROLES) + 1, ROWS // 2, COLUMNS // 2), np.float32
    )
    cells[:, 0] = cells[:, len(MATERIALS)] = 1.0
    rows = slice((LINE[0] - 10 + LIP_AT) // 2, (LINE[1] - 10 + LIP_AT) // 2)
    for window, start in zip(cells, places.starts, strict=True):
        now = np.zeros(COLUMNS)
        part = there[start : start + COLUMNS]
        now[: len(part)] = part
        window[1, rows] = now.reshape(-1, 2).mean(axis=1)
        window[0, rows] -= window[1, rows]
        window[len(MATERIALS), rows], window[len(MATERIALS) + 1, rows] = 0, 1
    answer = Answer(np.array([2.0, -1.0, -2.0], np.float32), np.zeros(2, np.float32), cells)
    light = Light((1.0, 1.0, 1.0), 3.0, ("paper",))
    truth = true_photo(name, "gold", float(there.mean()))
    kept = KeptPhoto(name, truth, {"difficulty": "clear"}, strip, found, light, {}, None)
    return kept, answer


def test_a_row_comes_back_from_its_line_with_label_and_wear() -> None:
    kept, answer = keep_photo(left=0.6)
    row = row_of_trim(kept, answer, 2)
    again = PhotoRow(**json.loads(json.dumps(asdict(row))))
    assert json.dumps(asdict(again)) == json.dumps(asdict(row)) and row.fold == 2
    (region,) = row.regions
    assert region["kind"] == "edge line" and region["label"] == "gold" and region["features"] is not None
    wear = row.seen_wear()
    assert wear is not None and wear.remaining_share == pytest.approx(row.truth["remaining_share"], abs=0.03)
    assert row.measures["edge_line_odds"] > 2 and row.truth["difficulty"] == "clear"


def test_the_answers_of_a_run_are_measured_photo_by_photo(tmp_path: Path) -> None:
    keep, run = tmp_path / "keep", tmp_path / "run"
    keep.mkdir()
    run.mkdir()
    kept, answer = keep_photo()
    (keep / "a.pickle").write_bytes(pickle.dumps(kept))
    cells = np.zeros((2, 14, *answer.cells.shape[1:]), np.uint8)
    cells[:, : len(answer.cells)] = np.round(answer.cells * 255)
    told = {"verdict": np.stack([answer.verdict] * 2), "whole": np.stack([answer.whole] * 2), "cells": cells}
    np.savez(run / "held_out_1.npz", names=np.array(["a", "not kept"]), **told)
    np.savez(run / "held_out_final.npz", names=np.array(["a", "not kept"]), **told)
    tasks = list(list_tasks(run, keep))
    assert [task[1] for task in tasks] == [1, FINAL]
    line = measure_task(tasks[0])
    assert line is not None
    told_row, own_row = json.loads(line), json.loads(json.dumps(asdict(row_of_trim(kept, answer, 1))))
    assert told_row["wear"] == own_row["wear"] and told_row["truth"] == own_row["truth"]
    assert told_row["measures"] == pytest.approx(own_row["measures"], abs=0.02)  # chances came in 255ths


def worn_sample(number: int) -> WearSample:
    """Counted cells of a photo with so much left, seen a little too worn."""
    rng = np.random.default_rng(number)
    left = float(np.clip(rng.uniform(0.1, 1.3), 0, 1))
    expected = rng.uniform(20, 60, SECTORS)
    present = expected * np.clip(0.9 * left + rng.normal(0, 0.05, SECTORS), 0, 1)
    wear = Wear(expected, present, expected, present, 0.5)
    row = PhotoRow(str(number), asdict(true_photo(str(number), "gold", left)))
    return WearSample(wear, wear_features(wear, {"said_worn": 0.5}), row)


def test_fitted_wear_follows_what_is_left(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(fit_wear, "FOLDS", 2)  # quicker
    monkeypatch.setattr(fit_trees, "FOLDS", 2)
    samples = [worn_sample(number) for number in range(200)]
    recipe, judged = fit_wear.fit_wear(samples)
    truth = np.array([s.row.truth["remaining_share"] for s in samples])
    assert np.abs(np.array([j.remaining_share for j in judged]) - truth).mean() < 0.09
    sound = np.array([j.worn_chance < 0.5 for j in judged])
    assert (sound == (truth >= 0.75)).mean() > 0.9
    fitted = WearRecipe.from_recipe(json.loads(json.dumps(recipe)))
    order = np.argsort(truth)
    least, most = (judge_wear(samples[i].wear, samples[i].features, fitted) for i in order[[0, -1]])
    assert least is not None and most is not None
    assert least.remaining_share < most.remaining_share and least.worn_chance > most.worn_chance
    assert np.nanmean(least.sector_shares) < np.nanmean(most.sector_shares)
