"""Render a manifest with many processes over the GPUs; may be stopped and started again.

``python -m training.render.batch --manifest FILE --out DIR --procs 16 --gpus 2 --seconds 500``
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tarfile
import time
import traceback
from pathlib import Path
from typing import Any

from training.json_lines import read_rows
from training.render.manifest import FIRST_SEEDS, Row, make_manifest, motif_of, plan_of
from training.render.picture import RenderSettings, render_picture

SHARD_BYTES = 15 * 1024 * 1024
POLL_S = 5.0
ROW_FACTS = ("id", "set", "role", "difficulty", "labels", "pair", "step")  # copied from the row to the truth


def claim(out: Path, row: Row) -> bool:
    """Take a row for this process; False when it is done or another process has it."""
    if (out / f"{row['id']}.json").exists():
        return False
    try:
        os.close(os.open(out / f"{row['id']}.claim", os.O_CREAT | os.O_EXCL))
    except FileExistsError:
        return False
    return True


def render_row(mi: object, row: Row, out: Path, settings: RenderSettings) -> None:
    """Render one row and write its JPEG, then its truth."""
    plan = plan_of(row)
    data, truth = render_picture(mi, plan, motif_of(plan), settings)
    truth |= {name: row[name] for name in ROW_FACTS if name in row}
    (out / f"{row['id']}.jpg").write_bytes(data)
    part = out / f"{row['id']}.part"
    part.write_text(json.dumps(shorten_numbers(truth), separators=(",", ":")), encoding="utf-8")
    part.rename(out / f"{row['id']}.json")


def shorten_numbers(value: Any) -> Any:
    """The same JSON with numbers to five places, which halves its size."""
    if isinstance(value, dict):
        return {name: shorten_numbers(part) for name, part in value.items()}
    if isinstance(value, list | tuple):
        return [shorten_numbers(part) for part in value]
    return round(value, 5) if isinstance(value, float) else value


def work(told: argparse.Namespace, rows: list[Row]) -> None:
    """One process: claim and render rows until none is left or the time is up."""
    from training.render.tracing import choose_variant

    mi = choose_variant(told.variant)
    size_px = (told.width, told.width * 3 // 4)
    settings = RenderSettings(size_px, told.samples, told.passes, told.outline_step)
    for row in rows:
        if time.time() > told.deadline:
            return
        if not claim(told.out, row):
            continue
        try:
            render_row(mi, row, told.out, settings)
        except Exception as failure:  # one bad scene must not end the batch; it is named in the log
            log_failure(told.out, row, failure)


def log_failure(out: Path, row: Row, failure: Exception) -> None:
    """Add a line to ``failures.jsonl``."""
    reason = {"id": row["id"], "error": repr(failure), "where": traceback.format_exc(limit=-3)}
    with (out / "failures.jsonl").open("a", encoding="utf-8") as log:
        log.write(json.dumps(reason) + "\n")


def start_workers(told: argparse.Namespace) -> list[subprocess.Popen[bytes]]:
    """Start the processes, dealt over the GPUs."""
    command = [sys.executable, "-m", "training.render.batch", *sys.argv[1:], "--deadline", str(told.deadline)]
    workers = []
    for number in range(told.procs):
        environment = dict(
            os.environ, OMP_NUM_THREADS="1", OPENBLAS_NUM_THREADS="1", OPENCV_FOR_THREADS_NUM="1"
        )
        cards = told.gpu_list.split(",") if told.gpu_list else [str(card) for card in range(told.gpus)]
        if cards:
            environment["CUDA_VISIBLE_DEVICES"] = cards[number % len(cards)]
        workers.append(subprocess.Popen([*command, "--worker", str(number)], env=environment))
    return workers


def watch(told: argparse.Namespace, workers: list[subprocess.Popen[bytes]], total: int) -> None:
    """Print progress until every process has ended, or is ended a little after the deadline."""
    started, said = time.time(), 0.0
    while any(worker.poll() is None for worker in workers):
        time.sleep(0.5)
        if time.time() - said > POLL_S:
            said = time.time()
            done = len(list(told.out.glob("*.json")))
            print(f"{done}/{total} pictures after {said - started:.0f} s", flush=True)
        if time.time() > told.deadline + 20:
            for worker in workers:
                worker.kill()


def pack_shards(out: Path, target: Path) -> list[Path]:
    """Pack finished pictures and truths into tar files of at most ``SHARD_BYTES``."""
    target.mkdir(parents=True, exist_ok=True)
    shards: list[Path] = []
    size, archive = SHARD_BYTES, None
    for truth in sorted(out.glob("*.json")):
        files = [truth, truth.with_suffix(".jpg")]
        need = sum(file.stat().st_size + 1536 for file in files)
        if archive is None or size + need > SHARD_BYTES:
            if archive is not None:
                archive.close()
            shards.append(target / f"shard-{len(shards):03d}.tar")
            archive, size = tarfile.open(shards[-1], "w"), 10240  # noqa: SIM115
        for file in files:
            archive.add(file, arcname=file.name)
        size += need
    if archive is not None:
        archive.close()
    return shards


def parse_arguments() -> argparse.Namespace:
    """Command line of the batch."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--manifest", type=Path, help="JSON-lines file; without it --set and --count")
    parser.add_argument("--set", choices=tuple(FIRST_SEEDS), default="exam")
    parser.add_argument("--count", type=int, default=0)
    parser.add_argument("--first", type=int, default=0, help="rows to skip at the start")
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--pack", type=Path, help="folder for the tar files")
    parser.add_argument("--procs", type=int, default=1)
    parser.add_argument("--gpus", type=int, default=0)
    parser.add_argument("--gpu-list", help="numbers of the GPUs to use, such as 1 or 0,1")
    parser.add_argument("--seconds", type=float, default=1e9, help="stop starting scenes after this long")
    parser.add_argument("--variant", default="cuda_ad_spectral")
    parser.add_argument("--width", type=int, default=1200)
    parser.add_argument("--samples", type=int, default=96)
    parser.add_argument("--passes", type=int, default=1)
    parser.add_argument("--outline-step", type=int, default=2)
    parser.add_argument("--worker", type=int, help=argparse.SUPPRESS)
    parser.add_argument("--deadline", type=float, help=argparse.SUPPRESS)
    return parser.parse_args()


def main() -> None:
    """Start the processes, or be one of them."""
    told = parse_arguments()
    rows = read_rows(told.manifest) if told.manifest else make_manifest(told.set, told.count)
    rows = rows[told.first : told.first + told.count] if told.count and told.manifest else rows[told.first :]
    if told.worker is not None:
        work(told, rows)
        return
    told.out.mkdir(parents=True, exist_ok=True)
    for stale in told.out.glob("*.claim"):
        stale.unlink()
    told.deadline = time.time() + told.seconds
    watch(told, start_workers(told), len(rows))
    done = len(list(told.out.glob("*.json")))
    print(f"done: {done} of {len(rows)} pictures", flush=True)
    if told.pack:
        print(f"packed {len(pack_shards(told.out, told.pack))} shards", flush=True)


if __name__ == "__main__":
    main()
