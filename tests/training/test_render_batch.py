"""The batch: rows are taken once, failures are named, shards stay small."""

import json
import tarfile
from pathlib import Path

from training.json_lines import read_rows, write_rows
from training.render import batch
from training.render.manifest import make_manifest, plan_of

ROW = {"id": "fit-00001", "seed": 1, "set": "fit", "style": "exam", "role": "fit", "told": {}}


def test_a_row_is_taken_by_one_process_only(tmp_path):
    assert batch.claim(tmp_path, ROW)
    assert not batch.claim(tmp_path, ROW)


def test_a_finished_row_is_not_rendered_again(tmp_path):
    (tmp_path / "fit-00001.json").write_text("{}")
    assert not batch.claim(tmp_path, ROW)


def test_a_failure_is_named_with_its_reason(tmp_path):
    batch.log_failure(tmp_path, ROW, ValueError("no such glaze"))
    line = json.loads((tmp_path / "failures.jsonl").read_text())
    assert line["id"] == "fit-00001" and "no such glaze" in line["error"]


def test_shards_hold_every_picture_and_stay_under_the_limit(tmp_path, monkeypatch):
    monkeypatch.setattr(batch, "SHARD_BYTES", 60_000)
    for number in range(6):
        (tmp_path / f"fit-{number:05d}.jpg").write_bytes(b"x" * 15_000)
        (tmp_path / f"fit-{number:05d}.json").write_text("{}")
    shards = batch.pack_shards(tmp_path, tmp_path / "packed")
    assert len(shards) > 1 and all(shard.stat().st_size <= 60_000 for shard in shards)
    names: list[str] = []
    for shard in shards:
        with tarfile.open(shard) as archive:
            names += archive.getnames()
    assert len(names) == 12 == len(set(names))


def test_a_manifest_comes_back_from_its_file(tmp_path):
    rows = make_manifest("gallery", 5)
    write_rows(tmp_path / "rows.jsonl", rows)
    assert read_rows(tmp_path / "rows.jsonl") == rows


def test_a_shorter_manifest_is_the_beginning_of_a_longer_one():
    for name in ("exam", "fit", "samples", "gallery"):
        assert make_manifest(name, 9) == make_manifest(name, 30)[:9]


def test_the_frozen_exam_can_be_drawn_again_row_by_row():
    rows = read_rows(Path(__file__).resolve().parents[2] / "training" / "exams" / "exam-1.jsonl.gz")
    again = {row["id"]: row for row in make_manifest("exam", 1 + max(int(row["id"][-5:]) for row in rows))}
    assert len(rows) >= 200
    for row in rows[::10]:
        assert {name: row[name] for name in again[row["id"]]} == again[row["id"]]
        plan = plan_of(row)
        assert (plan.metal, plan.glaze, plan.shape) == tuple(
            row["truth"][name] for name in ("metal", "glaze", "piece")
        )
