"""Pack rendered photos for the trim witness: ``python -m training.pack_witness FOLDER... --out FILE``.

Each photo is read by the chain up to its bands, once; kept are the windows that the network would look at
(JPEG), the exact cover of metal and paint in them, the circumstances, the regions' features. ``--rows A B``
takes photos by their number in the folder's order.
"""

from __future__ import annotations

import argparse
import json
import lzma
import multiprocessing
import os
import traceback
import zlib
from dataclasses import asdict
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt
from tqdm import tqdm

from model.bands import separate_bands
from model.colour import encode_srgb
from model.light import fuse_light, load_recipe
from model.light_evidence import measure_evidence
from model.photo import decode_photo
from model.piece import Piece, find_piece
from model.repeats import count_repeats
from model.rim_band import RimStrip, unroll_rim
from model.straighten import find_stretch, straighten_strip
from model.strip_grid import lay_grid
from model.surroundings import look_around
from model.trim_print import find_print
from model.witness_input import (
    WindowPlaces,
    WitnessWindows,
    cut_plane,
    cut_windows,
    describe_context,
    place_windows,
)
from training.photo_strips import MeasuredPhoto, recast_scene
from training.trim_features_table import PhotoRow, row_of_trim
from training.trim_truth import read_truth
from training.witness_labels import map_cover, stage_again

JPEG_QUALITY = 86
FACTS = (
    "metal",
    "trim",
    "paint",
    "glaze",
    "difficulty",
    "role",
    "pair",
    "alloy",
    "seed",
    "motif_id",
    "state",
)
Packed = dict[str, Any]
Bytes = npt.NDArray[np.uint8]


def pack_photo(path: Path) -> Packed | None:
    """One photo with its truth; None where no rim was found."""
    data = path.read_bytes()
    told = json.loads(path.with_suffix(".json").read_text(encoding="utf-8"))
    truth = read_truth(path.with_suffix(".json"))
    photo = decode_photo(data)
    piece = find_piece(photo)
    around = look_around(photo, piece)
    unrolled = unroll_rim(photo, piece)
    facts = {name: told.get(name) for name in FACTS} | {"name": path.stem, "group": truth.group}
    facts |= {
        "white": list(truth.white_rgb),
        "shape": truth.shape,
        "light": truth.light,
        "wear": told["plan"]["wear"],
    }
    if unrolled is None:
        return {"facts": facts, "row": asdict(_bare_row(path, truth))}
    strip = straighten_strip(unrolled)
    bands = separate_bands(strip)
    border = count_repeats(strip, bands)
    evidence = measure_evidence(photo, around, piece.paper, strip, bands, None)
    light = fuse_light({k: np.array(v) for k, v in evidence.items()}, load_recipe())
    measured = MeasuredPhoto(
        path.name,
        truth,
        evidence,
        [recast_scene(around, truth, path.name)],
        around.colours,
        strip,
        bands,
        border.repeats,
    )
    row = row_of_trim(measured, light, True)
    found = find_print(strip, bands)
    places = place_windows(strip)
    windows = cut_windows(strip, found.glaze_linear_rgb, places)
    cover = _unroll_cover(told, photo, piece, unrolled, strip, places)
    facts |= {"light read": list(light.white_rgb), "doubt": light.uncertainty_deg, "reach": windows.reach_px}
    return {
        "facts": facts,
        "row": asdict(row),
        "context": describe_context(strip, light, around.colours, places.scale),
        "pixels": encode_windows(windows),
        "glaze": _encode_png(_stack(_bytes_of(windows.glaze_linear_rgb))),
        "masks": zlib.compress(np.packbits(np.stack([windows.seen_mask, windows.clipped_mask])).tobytes(), 9),
        "cover": None if cover is None else zlib.compress(cover.tobytes(), 9),
        "count": len(places.starts),
    }


def _bare_row(path: Path, truth: Any) -> Any:
    return PhotoRow(path.name, asdict(truth))


def _unroll_cover(
    told: dict[str, Any], photo: Any, piece: Piece, unrolled: RimStrip, strip: RimStrip, places: WindowPlaces
) -> Bytes | None:
    """(k, rows, columns) uint8, laid as the photo's own strip was: see `join_cover`."""
    stage = stage_again(told)
    if stage is None or piece.rim is None:
        return None
    cover = np.round(map_cover(stage) * 255).astype(np.uint8)
    grid = lay_grid(photo, piece.rim, piece.outline)
    assert grid is not None
    where = grid.where.astype(np.float32)
    laid = cv2.remap(cover, where[..., 0], where[..., 1], cv2.INTER_LINEAR)
    if strip is not unrolled:
        stretch = find_stretch(unrolled)
        assert stretch is not None
        h, w = laid.shape[:2]
        map_x, map_y = np.meshgrid(np.arange(w, dtype=np.float32), np.arange(h, dtype=np.float32))
        depth = np.maximum(map_y - strip.lip_row, 0)
        map_y += depth * (np.exp(stretch)[None].astype(np.float32) - 1)
        laid = cv2.remap(laid, map_x, map_y, cv2.INTER_LINEAR)
    return join_cover(np.asarray(cut_plane(laid, places), np.uint8))


def join_cover(cover: Bytes) -> Bytes:
    """Cover of metal and paint in quarters (two bits each), and whether the strip is there, in one byte."""
    quarters = np.minimum((cover.astype(np.uint16) + 32) // 64, 3).astype(np.uint8)
    return np.asarray(quarters[..., 0] | quarters[..., 1] << 2 | (cover[..., 2] > 127).astype(np.uint8) << 4)


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


def _pack_safely(path: Path) -> Packed | None:
    try:
        return pack_photo(path)
    except Exception:  # one bad photo must not end the packing; it is named
        print(path.name, traceback.format_exc(limit=-2), flush=True)
        return None


def write_pack(packed: list[Packed], out: Path) -> None:
    """One npz, bytes of all photos end to end; beside it the regions' features, JSON lines, ``.rows.xz``."""
    names = ("pixels", "glaze", "masks", "cover")
    arrays: dict[str, Any] = {}
    for name in names:
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
    lines = "".join(json.dumps(p["row"]) + "\n" for p in packed)
    out.with_suffix(".rows.xz").write_bytes(lzma.compress(lines.encode()))


def main() -> None:
    """Pack the folders."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("folders", type=Path, nargs="+")
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--workers", type=int, default=os.cpu_count() or 1)
    parser.add_argument("--rows", type=int, nargs=2, default=(0, 1 << 30))
    told = parser.parse_args()
    photos = [
        p for folder in told.folders for p in sorted(folder.glob("*.jpg")) if p.with_suffix(".json").exists()
    ]
    photos = photos[told.rows[0] : told.rows[1]]
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    with multiprocessing.get_context("spawn").Pool(told.workers, cv2.setNumThreads, (1,)) as pool:
        steps = pool.imap(_pack_safely, photos, chunksize=2)
        packed = [p for p in tqdm(steps, total=len(photos), desc="photos", unit="photo") if p is not None]
    write_pack(packed, told.out)
    exact = sum(bool(p.get("cover")) for p in packed)
    print(
        f"{len(packed)} photos, {sum('context' in p for p in packed)} with a strip, {exact} with exact cover"
    )


if __name__ == "__main__":
    main()
