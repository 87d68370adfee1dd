"""Use cases about a head fitted on one's own gallery: judge it, take it on, give it back, rebuild vectors."""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Callable, Iterable
from typing import TYPE_CHECKING, Any

from model.errors import PhotoError, RecipeError
from service import items, ledger
from service.actions import Actions
from service.errors import NotFound, ServiceError
from service.heads import list_heads, put_heads
from service.own_photos import load_labelled_photos
from service.store import now

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

    from model.head import Head
    from model.leave_out import LabelledPhotos

Answer = dict[str, Any]
Progress = Callable[[list[Any], str], Iterable[Any]]
"""Wraps a list to show how far a loop over it is, with a line saying what is done."""

REBUILT = "rebuilt up to"  # fact: recipe and the last reading whose vectors an unfinished rebuild made
LEAST_ASKED = 10


class ModelRefused(ServiceError):
    """A head is not taken on, or there is none to give back; it says why."""


class OwnModel:
    """Use cases on the gallery of ``actions``; one rebuild at a time."""

    def __init__(self, actions: Actions) -> None:
        self._actions = actions
        self._rebuilding = threading.Lock()
        self._done: tuple[int, int] | None = None

    def show(self) -> Answer:
        """The network, the head in use, what there is to go back to, and a rebuild under way."""
        started = self._actions.worker.wait_ready()
        with self._actions.store.looking() as tx:
            heads = [{k: v for k, v in head.items() if k != "text"} for head in list_heads(tx)]
            stale = items.find_stale_readings(tx, started.recipe_id) if started.recipe_id else []
            unfinished = self._actions.store.folder_fact(tx, REBUILT) is not None
            damaged = _tell_damage(list_heads(tx))
        in_use = heads[-1] if heads and heads[-1]["recipe_id"] == started.recipe_id else None
        return {
            "recipe_id": started.recipe_id,
            "problem": started.problem,
            "head": in_use,
            "unfit": None if not heads or in_use is not None else heads[-1]["id"],
            "damaged": damaged,
            "earlier": [head["id"] for head in heads[:-1]],
            "stale": len(stale),
            "rebuild": None if self._done is None else {"done": self._done[0], "total": self._done[1]},
            "rebuild_unfinished": unfinished,
        }

    def adopt(self, text: str, progress: Progress) -> Answer:
        """Judge a head anew on the gallery as it stands, and take it on where it is better.

        Until the last moment everything stays as it was; then one transaction switches.

        Raises
        ------
        ModelRefused
            It is no head, belongs to other weights, or is not better than what is in use.
        """
        recipe_id = self._require_recipe()
        head = _read(text)
        if head.recipe_id != recipe_id:
            raise ModelRefused(
                f"This head was fitted on vectors of {head.recipe_id}, the network here makes {recipe_id}: "
                "export the gallery again, run `python -m training.tune` on it, and adopt the new file."
            )
        self.refresh_stale(progress)
        with self._actions.store.looking() as tx:
            heads = list_heads(tx)
            photos, readings = load_labelled_photos(tx, recipe_id)
        if heads and heads[-1]["id"] == head.id:
            raise ModelRefused("This head is in use already.")
        if len(photos.gallery.items) and head.whole.matrix.shape[0] != photos.gallery.vectors.shape[1]:
            raise ModelRefused("This head is for vectors of another length.")
        in_use = _read(heads[-1]["text"]) if heads and heads[-1]["recipe_id"] == recipe_id else None
        score = judge_head(head, in_use, photos, readings, progress)
        if not score["difference"][1] > 0:
            raise ModelRefused(_not_better(score))
        kept = {"id": head.id, "recipe_id": recipe_id, "text": text, "adopted_at": now(), "score": score}
        with self._actions.store.writing() as tx:
            put_heads(tx, [*list_heads(tx), kept])
            ledger.log_change(tx, self._actions.who, "adopt head", None, None)
        return {"id": head.id, "score": score}

    def roll_back(self) -> Answer:
        """Give the head in use back: the one before it, or the vectors as shipped, serve again.

        Raises
        ------
        ModelRefused
            No head was taken on.
        """
        with self._actions.store.writing() as tx:
            heads = list_heads(tx)
            if not heads:
                raise ModelRefused("No head was taken on: the vectors are used as shipped.")
            put_heads(tx, heads[:-1])
            ledger.log_change(tx, self._actions.who, "give head back", None, None)
        return {"given_back": heads[-1]["id"], "head": heads[-2]["id"] if len(heads) > 1 else None}

    def refresh_stale(self, progress: Progress) -> int:
        """Make the vectors of another recipe anew from the stored photos; returns how many were tried."""
        recipe_id = self._require_recipe()
        with self._actions.store.looking() as tx:
            stale = items.find_stale_readings(tx, recipe_id)
        for reading_id in progress(stale, "bringing vectors up to the network") if stale else ():
            self._refresh(reading_id)
        return len(stale)

    def rebuild(self, progress: Progress, stop: threading.Event | None = None) -> Answer:
        """Make all vectors of the gallery anew from the stored photos; the old ones serve until replaced.

        Each photo is one transaction. A rebuild that was cut short goes on behind the last photo it made.

        Raises
        ------
        ModelRefused
            One is under way already.
        """
        recipe_id = self._require_recipe()
        if not self._rebuilding.acquire(blocking=False):
            raise ModelRefused("The vectors are being rebuilt already.")
        try:
            return self._rebuild(recipe_id, progress, stop)
        finally:
            self._done = None
            self._rebuilding.release()

    def _rebuild(self, recipe_id: str, progress: Progress, stop: threading.Event | None) -> Answer:
        store = self._actions.store
        with store.looking() as tx:
            readings = sorted(items.find_gallery_readings(tx))
            before = (store.folder_fact(tx, REBUILT) or "").split()
        after = before[1] if len(before) == 2 and before[0] == recipe_id else ""
        left = [reading_id for reading_id in readings if reading_id > after]
        done = len(readings) - len(left)
        for reading_id in progress(left, "rebuilding vectors"):
            if stop is not None and stop.is_set():
                return {"rebuilt": done, "total": len(readings), "finished": False}
            self._done = (done, len(readings))
            self._refresh(reading_id)
            with store.writing() as tx:
                store.set_folder_fact(tx, REBUILT, f"{recipe_id} {reading_id}")
            done += 1
        with store.writing() as tx:
            store.clear_folder_fact(tx, REBUILT)
        return {"rebuilt": done, "total": len(readings), "finished": True}

    def _refresh(self, reading_id: str) -> None:
        with contextlib.suppress(NotFound, PhotoError):  # `rimlight check` names them
            self._actions.refresh_vectors(reading_id)

    def _require_recipe(self) -> str:
        started = self._actions.worker.wait_ready()
        if started.recipe_id is None:
            raise ModelRefused(f"The motif network is not installed here ({started.problem}).")
        return started.recipe_id


def judge_head(
    head: Head, in_use: Head | None, photos: LabelledPhotos, readings: list[str], progress: Progress
) -> Answer:
    """Shares found first by the head and by what is in use, each photo asked with its piece left out.

    Raises
    ------
    ModelRefused
        Too few photos can be asked.
    """
    from model.leave_out import compare_paired, find_places

    asked = photos.can_be_asked()
    if len(asked) < LEAST_ASKED:
        raise ModelRefused(
            f"Only {len(asked)} gallery photos can be judged (their motif needs a photo of another piece); "
            f"{LEAST_ASKED} or more are needed."
        )

    def places(one: Head | None, what: str) -> npt.NDArray[np.int64]:
        return find_places(
            photos,
            lambda k: None if one is None else one.map_for(readings[k]),
            lambda steps: progress(list(steps), what),
        )

    ours, theirs = places(head, "judging the head"), places(in_use, "judging what is in use")
    fair = _find_fair(head, photos, readings, asked)
    difference = compare_paired(ours[fair], theirs[fair], [photos.pieces[asked[k]] for k in fair])
    return {
        "asked": len(fair),
        "found_first": round(float((ours[fair] == 0).mean()), 4) if len(fair) else 0.0,
        "found_first_in_use": round(float((theirs[fair] == 0).mean()), 4) if len(fair) else 0.0,
        "difference": [round(value, 4) for value in difference],
    }


def _find_fair(head: Head, photos: LabelledPhotos, readings: list[str], asked: list[int]) -> list[int]:
    """Places in ``asked`` whose map never saw their piece: pieces joined since may lie in two folds."""
    folds: dict[str, set[int | None]] = {}
    for k, piece in enumerate(photos.pieces):
        folds.setdefault(piece, set()).add(head.fold_of.get(readings[k]))
    return [place for place, k in enumerate(asked) if len(folds[photos.pieces[k]]) == 1]


def _read(text: str) -> Head:
    from model.head import read_head

    try:
        return read_head(text)
    except RecipeError as error:
        raise ModelRefused(f"Nothing was changed: {error}.") from error


def _tell_damage(heads: list[dict[str, Any]]) -> str | None:
    """Why the head in use cannot be used, None where it can."""
    try:
        if heads:
            _read(heads[-1]["text"])
    except ModelRefused as error:
        return str(error)
    return None


def _not_better(score: Answer) -> str:
    difference, low, high = (100 * value for value in score["difference"])
    return (
        f"Not taken on, for it is not surely better: with one piece left out it finds "
        f"{score['found_first']:.1%} of {score['asked']} photos first, what is in use "
        f"{score['found_first_in_use']:.1%} (difference {difference:+.1f} points, 95 %: {low:+.1f} to "
        f"{high:+.1f}). Nothing was changed. More photos of more pieces, then a new fit, may help."
    )
