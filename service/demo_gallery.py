"""The shipped demo gallery: photos and labels as package data, vectors made when the package is built.

``demo/gallery.json`` names the photos with their labels, ``demo/vectors.npz`` holds what the shipped weights
read in them. A photo without prepared vectors is read on the first start instead.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import threading
from collections.abc import Callable, Iterable
from dataclasses import replace
from pathlib import Path
from typing import Any

from model.errors import PhotoError, RimlightError
from service import items, ledger
from service.actions import NO_BORDER, NO_WEIGHTS, Actions
from service.errors import NotFound
from service.kept import Crop, NewReading
from service.labels import Labels, check_labels
from service.store import STARTED

DEMO_FOLDER = Path(__file__).parent / "demo"

Progress = Callable[[list[str], str], Iterable[str]]
"""Wraps a list to show how far a loop over it is, with a line saying what is done."""


def read_demo_labels(folder: Path = DEMO_FOLDER) -> dict[str, Labels]:
    """Labels of each demo photo by its path under ``folder``; none where the package has no demo."""
    try:
        content = json.loads((folder / "gallery.json").read_text(encoding="utf-8"))
    except FileNotFoundError:
        return {}
    labelled = {}
    for entry in content["items"]:
        given = {name: value for name, value in entry.items() if name in Labels.__dataclass_fields__}
        labelled[entry["photo"]] = check_labels(given)
    return labelled


def fill_new_gallery(actions: Actions, empty: bool, progress: Progress, folder: Path = DEMO_FOLDER) -> None:
    """Give a new data folder the demo gallery, or mark it as started empty; an old folder is left alone."""
    store = actions.store
    with store.looking() as tx:
        if store.folder_fact(tx, STARTED) is not None:
            return
    labelled = {} if empty else read_demo_labels(folder)
    prepared = load_prepared(folder / "vectors.npz") if labelled else {}
    missing = [name for name in labelled if name not in prepared]
    for name in progress(missing, "reading the demo gallery") if missing else ():
        prepared[name] = actions.read_only((folder / name).read_bytes())
    files = {name: store.keep_files(prepared[name]) for name in labelled}
    with store.writing() as tx:
        if store.folder_fact(tx, STARTED) is not None:  # another process was quicker
            return
        for name, labels in labelled.items():
            new = replace(prepared[name], source="demo")
            store.insert_reading(tx, new, files[name])
            reason = None if new.crops else NO_BORDER if new.recipe_id else NO_WEIGHTS
            items.insert_item(tx, new.facts["id"], labels.motif, labels.others(), reason)
        ledger.log_change(tx, actions.who, "start", None, None)
        store.set_folder_fact(tx, STARTED, "empty" if empty else "demo")


def refresh_stale_vectors(actions: Actions, progress: Progress) -> None:
    """Read again the gallery photos whose vectors another recipe made; nobody's labels change.

    A photo whose file is missing keeps its old vectors, which are not matched, and is tried again next time.
    """
    recipe_id = actions.worker.wait_ready().recipe_id
    if recipe_id is None:
        return
    with actions.store.looking() as tx:
        stale = items.find_stale_readings(tx, recipe_id)
    if not stale:
        return
    for reading_id in progress(stale, "bringing the gallery up to the new network"):
        with contextlib.suppress(NotFound, PhotoError):  # `rimlight check` names them
            actions.refresh_vectors(reading_id)


def make_missing_pictures(actions: Actions, stop: threading.Event) -> None:
    """Unroll the strips that the package does not carry, one by one between a user's photos."""
    with actions.store.looking() as tx:
        missing = items.find_readings_without_strip(tx)
    for reading_id in missing:
        if stop.is_set():
            return
        with contextlib.suppress(RimlightError):  # shown when somebody asks for it
            actions.find_strip(reading_id)


def save_prepared(path: Path, readings: dict[str, NewReading]) -> None:
    """Write what the demo photos gave, for ``load_prepared``."""
    import numpy as np

    crops = [crop for new in readings.values() for crop in new.crops]
    dimension = len(crops[0].numbers) // 4 if crops else 1
    np.savez_compressed(
        path,
        photos=np.array(list(readings)),
        facts=np.array([json.dumps(new.facts) for new in readings.values()]),
        recipe_ids=np.array([new.recipe_id or "" for new in readings.values()]),
        crop_counts=np.array([len(new.crops) for new in readings.values()]),
        rects=np.array([crop.rect for crop in crops], dtype=np.float64).reshape(-1, 4),
        phases=np.array([crop.phase for crop in crops]),
        mirrored=np.array([crop.mirrored for crop in crops], dtype=bool),
        weights=np.array([crop.weight for crop in crops]),
        vectors=np.frombuffer(b"".join(crop.numbers for crop in crops), "<f4").reshape(-1, dimension),
    )


def load_prepared(path: Path) -> dict[str, NewReading]:
    """What was read in the demo photos when the package was built; a photo changed since is left out."""
    if not path.is_file():
        return {}
    import numpy as np

    with np.load(path, allow_pickle=False) as content:
        held: dict[str, Any] = {name: content[name] for name in content.files}
    ends = np.cumsum(held["crop_counts"])
    readings = {}
    for place, name in enumerate(held["photos"].tolist()):
        photo = path.parent / name
        facts = json.loads(str(held["facts"][place])) | {"id": items.new_id()}
        data = photo.read_bytes() if photo.is_file() else b""
        if hashlib.sha256(data).hexdigest() != facts["photo"]["sha256"]:
            continue
        rows = range(int(ends[place] - held["crop_counts"][place]), int(ends[place]))
        readings[name] = NewReading(
            facts=facts,
            photo_bytes=len(data),
            sealed=data,
            suffix=photo.suffix.lstrip("."),
            strip_png=None,
            recipe_id=str(held["recipe_ids"][place]) or None,
            crops=tuple(_crop(held, row) for row in rows),
        )
    return readings


def _crop(held: dict[str, Any], row: int) -> Crop:
    x0, y0, x1, y1 = (float(value) for value in held["rects"][row])
    return Crop(
        rect=(x0, y0, x1, y1),
        phase=float(held["phases"][row]),
        mirrored=bool(held["mirrored"][row]),
        weight=float(held["weights"][row]),
        numbers=held["vectors"][row].astype("<f4").tobytes(),
    )
