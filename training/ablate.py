"""Train short runs, each without one part, on one schedule: ``python -m training.ablate NAME... --out DIR``.

NAME is "whole", "loss" or a part of ``training.ablations.LEFT_OUT``. Every run starts anew from the same
weights, lasts as long, and is measured on the same validation strips, which keep every part. ``--collect``
puts the runs in DIR together as one result file, with differences to "whole" paired by strip and drawn again
by motif.
"""

from __future__ import annotations

import argparse
import json
import shutil
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import torch

from training.ablations import LEFT_OUT
from training.config import TINY, TrainingConfig
from training.intervals import bootstrap_difference, describe_share
from training.sources import make_training_source, make_validation_source
from training.train import embed_validation, train
from training.validate import ValidationSet, draw_validation_set, find_places

RESULTS = Path(__file__).parent / "results" / "motif_ablations.json"
LIKE_STEPS = 0.15  # runs whose lengths differ by more had other machines, and are not compared
OTHER_LOSS = "multi-similarity"
RUNS = ("whole", "loss", *LEFT_OUT)
WHAT: dict[str, str] = {
    "whole": "nothing left out",
    "loss": f"{OTHER_LOSS} loss instead of supervised contrastive",
    "environment colour": "the metal mirrors an even grey room instead of one of many levels and colours",
    "balance and phone model": "no exposure, balance, tone, noise, sharpening or compression of a phone",
    "wear": "every border sound",
    "blur": "every strip as sharp as its sampling allows",
}


def run_one(name: str, config: TrainingConfig, validation: ValidationSet, out: Path) -> dict[str, Any]:
    """Train one run and keep ``NAME.json``: places of the right motif, strip by strip."""
    if name == "loss":
        config = replace(config, loss=OTHER_LOSS)
    elif name != "whole":
        config = replace(config, without=name)
    folder = out / "run"
    shutil.rmtree(folder, ignore_errors=True)
    source = make_training_source(config)
    record = train(config, folder, source, make_validation_source(config), validation, export=False)
    saved = torch.load(folder / "checkpoint.pt", map_location="cpu", weights_only=True)
    vectors = embed_validation(saved["network"], validation, torch.device(config.device))
    places, motifs = find_places(vectors, validation)
    kept = {
        "name": name,
        "what": WHAT[name],
        "seconds": config.seconds,
        "settings": record["settings"],
        "machine": record["machine"],
        "commit": record["commit"],
        "steps": record["history"][-1]["step"],
        "blocks": record["history"][-1]["blocks"],
        "places": places.tolist(),
        "motifs": motifs.tolist(),
    }
    (out / f"{name}.json").write_text(json.dumps(kept) + "\n", encoding="utf-8")
    shutil.rmtree(folder)
    return kept


def collect(folder: Path) -> dict[str, Any]:
    """All runs of a folder as one result.

    Raises
    ------
    ValueError
        The whole run is missing, or runs were not measured on the same strips.
    """
    runs = {run["name"]: run for run in (json.loads(p.read_text()) for p in sorted(folder.glob("*.json")))}
    if "whole" not in runs:
        raise ValueError(f"no run named whole in {folder.name}: run it on the same schedule")
    whole = runs["whole"]
    right = np.array(whole["places"]) == 0
    rows, unlike = {}, {}
    for name in (name for name in RUNS if name in runs):
        run = runs[name]
        if run["motifs"] != whole["motifs"]:
            raise ValueError(f"{name} was measured on other strips than whole")
        if abs(run["steps"] - whole["steps"]) > LIKE_STEPS * whole["steps"]:
            unlike[name] = f"{run['steps']} steps beside {whole['steps']}: not compared"
            continue
        places = np.array(run["places"])
        rows[name] = {
            "what": run["what"],
            "steps": run["steps"],
            "blocks": run["blocks"],
            "recall_at_1": describe_share(places == 0),
            "recall_at_5": describe_share(places < 5),
            "minus whole": bootstrap_difference(places == 0, right, np.array(run["motifs"])),
        }
    return {
        "measured on": "rendered validation strips with every part, art disjoint from training, two gallery "
        "strips a motif, six windows a strip",
        "motifs": len(set(whole["motifs"])),
        # A run has one length or the other.
        **({"steps": whole["steps"]} if whole["settings"]["steps"] else {"seconds": whole["seconds"]}),
        "seed": whole["settings"]["seed"],
        "commit": whole["commit"],
        "machine": whole["machine"],
        "runs": rows,
        "not on a like schedule": unlike,
    }


def main() -> None:
    """Run what is named, then put together what is there where told."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("names", nargs="*", choices=[*RUNS, []], metavar="NAME")
    parser.add_argument("--out", type=Path, required=True, help="folder of the runs")
    parser.add_argument("--seconds", type=float, default=80.0)
    parser.add_argument("--steps", type=int, help="length of every run, for machines that others use too")
    parser.add_argument("--workers", type=int)
    parser.add_argument("--seed", type=int)
    parser.add_argument("--commit")
    parser.add_argument("--tiny", action="store_true", help="a CPU run of seconds, to see that it runs")
    parser.add_argument("--collect", nargs="?", type=Path, const=RESULTS, metavar="FILE")
    told = parser.parse_args()
    given = {name: getattr(told, name) for name in ("workers", "seed", "commit", "steps")}
    config = replace(
        TINY if told.tiny else TrainingConfig(),
        seconds=told.seconds,
        validate_every_s=1e9,
        **{name: value for name, value in given.items() if value is not None},
    )
    told.out.mkdir(parents=True, exist_ok=True)
    if told.names:
        validation = draw_validation_set(make_validation_source(config), config)
        for name in told.names:
            run = run_one(name, config, validation, told.out)
            share = float((np.array(run["places"]) == 0).mean())
            print(
                json.dumps({"run": name, "steps": run["steps"], "recall_at_1": round(share, 4)}), flush=True
            )
    if told.collect is not None:
        result = collect(told.out)
        told.collect.write_text(json.dumps(result, indent=1) + "\n", encoding="utf-8")
        print(json.dumps(result["runs"], indent=1))


if __name__ == "__main__":
    main()
