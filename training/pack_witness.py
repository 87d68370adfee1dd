"""Pack rendered photos for the witness: ``python -m training.pack_witness FOLDER... --out FILE``.

Each photo is read by the chain up to its print, once; kept are the windows that the network would look at
(JPEG), what truly lies in them, and the circumstances. ``--rows A B`` takes photos by their number in the
folder's order; ``--keep DIR`` keeps what later steps need of each photo (`training.kept_photo`).
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import os
import pickle
import traceback
import zlib
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt
from tqdm import tqdm

from model.bands import separate_print
from model.colour import encode_srgb
from model.light import fuse_light, load_recipe
from model.light_evidence import measure_evidence
from model.photo import decode_photo
from model.piece import find_piece
from model.rim_band import unroll_rim
from model.straighten import straighten_strip
from model.strip_labels import CELL, MATERIALS, ROLES
from model.surroundings import look_around
from model.trim_print import find_print
from model.witness_input import WitnessWindows, cut_windows, describe_context, place_windows
from training.kept_photo import KeptPhoto
from training.label_truth import cells_of, cut_cover, unroll_cover
from training.trim_truth import read_truth
from training.witness_labels import COVERS

JPEG_QUALITY = 86
FACTS = (
    *("metal", "trim", "paint", "glaze", "difficulty", "role", "pair", "alloy", "seed", "motif_id", "state"),
    *("remaining_share", "piece", "lines", "border"),
)
# half-resolution labels: print that covers so much of a cell, and so little that it is bare; between: ignored
MOSTLY, HARDLY = 0.4, 0.08
Packed = dict[str, Any]
Bytes = npt.NDArray[np.uint8]


def pack_photo(path: Path, keep: Path | None = None) -> Packed | None:
    """One photo with its truth; without windows where no rim was found."""
    data = path.read_bytes()
    told = json.loads(path.with_suffix(".json").read_text(encoding="utf-8"))
    truth = read_truth(path.with_suffix(".json"))
    photo = decode_photo(data)
    piece = find_piece(photo)
    around = look_around(photo, piece)
    unrolled = unroll_rim(photo, piece)
    facts = {name: told.get(name) for name in FACTS} | {"name": path.stem, "group": truth.group}
    facts |= {"white": list(truth.white_rgb), "shape": truth.shape, "light": truth.light}
    facts |= {"wear": told["plan"]["wear"]}
    if unrolled is None:
        return {"facts": facts}
    strip = straighten_strip(unrolled)
    bands = separate_print(strip)
    evidence = measure_evidence(photo, around, piece.paper, strip, bands, None)
    light = fuse_light({k: np.array(v) for k, v in evidence.items()}, load_recipe())
    found = find_print(strip, bands)
    places = place_windows(strip)
    windows = cut_windows(strip, found.glaze_linear_rgb, places)
    cover = unroll_cover(told, photo, piece, unrolled, strip)
    facts |= {"light read": list(light.white_rgb), "doubt": light.uncertainty_deg, "reach": windows.reach_px}
    if keep is not None:
        kept = KeptPhoto(path.stem, truth, facts, strip, found, light, evidence, around.colours)
        with (keep / f"{path.stem}.pickle").open("wb") as file:
            pickle.dump(kept, file, protocol=5)
    packed = {"facts": facts, "count": len(places.starts)}
    packed["context"] = describe_context(strip, light, around.colours, places.scale)
    packed["pixels"] = encode_windows(windows)
    packed["glaze"] = _encode_png(_stack(_bytes_of(windows.glaze_linear_rgb)))
    masks = np.stack([windows.seen_mask, windows.clipped_mask])
    packed["masks"] = zlib.compress(np.packbits(masks).tobytes(), 6)
    if cover is not None and places.starts:
        cut = cut_cover(cover, places)
        packed["cover"] = zlib.compress(_quarters(cut[..., COVERS.index("metal")]).tobytes(), 6)
        packed["labels"] = zlib.compress(name_cells(cut).tobytes(), 6)
    return packed


def name_cells(cover: Bytes) -> Bytes:
    """What each cell of windows (k, ROWS, COLUMNS, len(COVERS)) is called, (k, h, w) uint8 of bits.

    Bits 0-1 the material (0 bare, 1 metal, 2 paint, 3 mixed: not told), 2-4 the role (0 none, 1 to 3 those of
    ROLES, 4 mixed), 5 a row of the border, 6 whether the strip lies there.
    """
    share = cells_of(cover, "gold")
    shape = (len(cover), share.shape[2], CELL, share.shape[3], CELL)
    known = cover[..., COVERS.index("known")].reshape(shape)
    metal, paint = share[:, MATERIALS.index("gold")], share[:, MATERIALS.index("paint")]
    material = np.full(metal.shape, 3, np.uint8)
    material[(metal < HARDLY) & (paint < HARDLY)] = 0
    material[metal > MOSTLY], material[paint > MOSTLY] = 1, 2
    roles = share[:, len(MATERIALS) + 1 : len(MATERIALS) + len(ROLES)]
    role = np.full(metal.shape, 4, np.uint8)
    role[(roles < HARDLY).all(axis=1)] = 0
    best = roles.argmax(axis=1).astype(np.uint8) + 1
    role = np.where(roles.max(axis=1) > MOSTLY, best, role)
    row = (share[:, -1] > 0.5).astype(np.uint8)
    there = (known.mean(axis=(2, 4)) > 127).astype(np.uint8)
    return np.asarray(material | role << 2 | row << 5 | there << 6, np.uint8)


def _quarters(cover: Bytes) -> Bytes:
    """Cover of 0..255 in quarters, 0..3."""
    return np.minimum((cover.astype(np.uint16) + 32) // 64, 3).astype(np.uint8)


def encode_windows(windows: WitnessWindows) -> bytes:
    """The windows one above the other as a JPEG in sRGB, its colour as fine as its brightness."""
    picture = _stack(_bytes_of(windows.linear_rgb))
    if picture.size == 0:
        return b""
    options = [cv2.IMWRITE_JPEG_QUALITY, JPEG_QUALITY]
    options += [cv2.IMWRITE_JPEG_SAMPLING_FACTOR, cv2.IMWRITE_JPEG_SAMPLING_FACTOR_444]
    return cv2.imencode(".jpg", picture[..., ::-1], options)[1].tobytes()


def _bytes_of(linear: npt.NDArray[np.float32]) -> Bytes:
    return np.asarray(np.clip(encode_srgb(np.clip(linear, 0, 1)) * 255 + 0.5, 0, 255), np.uint8)


def _stack(windows: Bytes) -> Bytes:
    return windows.reshape(-1, *windows.shape[2:])


def _encode_png(picture: Bytes) -> bytes:
    return b"" if picture.size == 0 else cv2.imencode(".png", picture[..., ::-1])[1].tobytes()


def _pack_safely(task: tuple[Path, Path | None]) -> Packed | None:
    try:
        return pack_photo(*task)
    except Exception:  # one bad photo must not end the packing; it is named
        print(task[0].name, traceback.format_exc(limit=-2), flush=True)
        return None


def write_pack(packed: list[Packed], out: Path) -> None:
    """One npz, bytes of all photos end to end."""
    arrays: dict[str, Any] = {}
    for name in ("pixels", "glaze", "masks", "cover", "labels"):
        parts = [p.get(name) or b"" for p in packed]
        arrays[name] = np.frombuffer(b"".join(parts), np.uint8)
        arrays[f"{name}_starts"] = np.cumsum([0] + [len(part) for part in parts])
    context = [p["context"] for p in packed if "context" in p]
    blank = np.zeros_like(context[0]) if context else np.zeros(0, np.float32)
    arrays["context"] = np.stack([p.get("context", blank) for p in packed])
    arrays["count"] = np.array([p.get("count", 0) for p in packed])
    arrays["facts"] = np.frombuffer(json.dumps([p["facts"] for p in packed]).encode(), np.uint8)
    out.parent.mkdir(parents=True, exist_ok=True)
    np.savez(out, **arrays)


def main() -> None:
    """Pack the folders."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("folders", type=Path, nargs="+")
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--keep", type=Path, help="folder for what later steps need of each photo")
    parser.add_argument("--workers", type=int, default=os.cpu_count() or 1)
    parser.add_argument("--rows", type=int, nargs=2, default=(0, 1 << 30))
    told = parser.parse_args()
    if told.keep is not None:
        told.keep.mkdir(parents=True, exist_ok=True)
    photos = [
        p for folder in told.folders for p in sorted(folder.glob("*.jpg")) if p.with_suffix(".json").exists()
    ]
    tasks = [(photo, told.keep) for photo in photos[told.rows[0] : told.rows[1]]]
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    with multiprocessing.get_context("spawn").Pool(told.workers, cv2.setNumThreads, (1,)) as pool:
        steps = pool.imap(_pack_safely, tasks, chunksize=2)
        packed = [p for p in tqdm(steps, total=len(tasks), desc="photos", unit="photo") if p is not None]
    write_pack(packed, told.out)
    exact = sum(bool(p.get("labels")) for p in packed)
    with_strip = sum(p.get("count", 0) > 0 for p in packed)
    print(f"{len(packed)} photos, {with_strip} with a strip, {exact} with labels")


if __name__ == "__main__":
    main()
