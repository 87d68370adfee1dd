"""Use cases about readings: read a photo, keep what it gave, show it again."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any, Literal

import sqlalchemy as sa

from model.hints import check_diameter, parse_neutral, parse_trace
from service import items, ledger
from service.caller import current_caller
from service.errors import NotFound
from service.kept import NewReading, PackedGallery
from service.retries import Retries, Retry
from service.store import Store
from service.worker import Worker
from service.workers import Workers

Answer = dict[str, Any]
PictureSize = Literal["thumbnail", "piece", "display"]
LONGER_SIDE_PX: dict[PictureSize, int] = {"thumbnail": 320, "piece": 480, "display": 1280}
FRAME_SHARE = 0.06  # of the piece's size left around it


class Readings:
    """Use cases on one store with its workers; ``who`` names the caller in the change log."""

    def __init__(self, store: Store, worker: Worker | Workers, who: str) -> None:
        self.store = store
        self.worker = worker if isinstance(worker, Workers) else Workers(1, lambda: worker)
        self._who = who
        self.find_device: Callable[[], str | None] = lambda: None  # whose turn a photo takes
        self._retries = Retries(store)

    @property
    def who(self) -> str:
        """The paired device that asks, else what this process is called, for the change log."""
        return current_caller().name or self._who

    @who.setter
    def who(self, who: str) -> None:
        self._who = who

    def read_only(
        self,
        data: bytes,
        neutral: str | None = None,
        trace: str | None = None,
        diameter_mm: float | None = None,
    ) -> NewReading:
        """Read a photo without storing anything.

        Raises
        ------
        model.errors.PhotoError, model.errors.HintError
            The photo or a hint cannot be used.
        """
        spot = parse_neutral(neutral) if neutral is not None else None
        if trace is not None:
            parse_trace(trace)
        check_diameter(diameter_mm)
        device = self.find_device()
        return self.worker.read(
            data, items.new_id(), self._pack, spot, trace, device=device, diameter_mm=diameter_mm
        )

    def check_room(self, photo_bytes: int | None) -> None:
        """Whether another photo could wait for its turn; asked before it is taken into memory.

        Raises
        ------
        Busy
            It could not; a later try may.
        """
        self.worker.check_room(self.find_device(), photo_bytes or 0)

    def read_photo(
        self,
        data: bytes,
        neutral: str | None = None,
        trace: str | None = None,
        retry: Retry | None = None,
        diameter_mm: float | None = None,
    ) -> Answer:
        """Read a photo and keep the reading, so that it can be shown again and confirmed."""

        def read() -> Answer:
            new = self.read_only(data, neutral, trace, diameter_mm)
            files = self.store.keep_files(new)
            with self.store.writing() as tx:
                self.store.insert_reading(tx, new, files)
                return self._kept(tx, retry, new.facts)

        return self._retries.once(retry, read)

    def find_reading(self, reading_id: str) -> Answer:
        """A reading made before.

        Raises
        ------
        NotFound
            There is none of that id.
        """
        facts: Answer = json.loads(self._reading(reading_id).facts)
        return facts

    def list_recent_readings(self, limit: int) -> list[Answer]:
        """The latest readings of photos that were sent in, newest first."""
        with self.store.looking() as tx:
            return [json.loads(facts) for facts in self.store.list_recent_facts(tx, limit)]

    def read_again(
        self,
        reading_id: str,
        neutral: str | None = None,
        trace: str | None = None,
        retry: Retry | None = None,
        diameter_mm: float | None = None,
    ) -> Answer:
        """Read the photo of an earlier reading anew, with a hint; a new reading.

        A diameter told before is still the piece's: it holds until another is told.
        """

        def read() -> Answer:
            row = self._reading(reading_id)
            told_mm = _told_before(json.loads(row.facts)) if diameter_mm is None else diameter_mm
            new = self.read_only(self._photo_bytes(row), neutral, trace, told_mm)
            new.facts["photo"]["sha256"] = row.photo_sha256  # of the upload, not of the sealed copy
            files = self.store.keep_files(new)
            with self.store.writing() as tx:
                self.store.insert_reading(tx, new, files)
                return self._kept(tx, retry, new.facts)

        return self._retries.once(retry, read)

    def find_strip(self, reading_id: str) -> bytes:
        """The unrolled rim band of a reading as PNG; made again from the photo where it is not at hand.

        Raises
        ------
        NotFound
            No such reading, or no rim band could be isolated.
        """
        row = self._reading(reading_id)
        if row.strip_file is not None:
            strip = self.store.strips.read(row.strip_file)
            if strip is not None:
                return strip
        facts = json.loads(row.facts)
        if facts["strip_first_column_deg"] is None:
            why = "; ".join(facts["trim"]["reasons"]) or "no rim was found"
            raise NotFound(f"No rim band could be isolated in this photo: {why}.")
        new = self._read_again(row)
        if new.strip_png is None:
            raise NotFound("No rim band could be isolated in this photo.")
        name = self.store.strips.keep(new.strip_png, "png")
        with self.store.writing() as tx:
            self.store.set_strip(tx, reading_id, name)
        return new.strip_png

    def find_picture(self, reading_id: str, size: PictureSize) -> bytes:
        """A re-encoded JPEG of a reading's photo; the stored file itself is never served.

        Raises
        ------
        NotFound
            No such reading, or its photo file is missing.
        """
        row = self._reading(reading_id)
        box = _frame_piece(json.loads(row.facts)) if size == "piece" else None
        place = "-".join(map(str, box)) if box is not None else "whole"
        cached = self.store.derived / f"{row.photo_file.split('.')[0]}-{LONGER_SIDE_PX[size]}-{place}.jpg"
        if cached.is_file():
            return cached.read_bytes()
        picture = self.worker.derive(self._photo_bytes(row), LONGER_SIDE_PX[size], box, self.find_device())
        self.store.keep_derived(cached, picture)
        return picture

    def _pack(self, version: int | None, recipe_id: str) -> PackedGallery | None:
        with self.store.looking() as tx:
            if items.gallery_version(tx) == version:
                return None
            return items.pack_gallery(tx, recipe_id)

    def _reading(self, reading_id: str) -> sa.Row[Any]:
        with self.store.looking() as tx:
            row = self.store.find_reading(tx, reading_id)
        if row is None:
            raise NotFound(f"There is no reading {reading_id!r}: read the photo again.")
        return row

    def _photo_bytes(self, row: sa.Row[Any]) -> bytes:
        data = self.store.photos.read(row.photo_file)
        if data is None:
            raise NotFound(
                f"The stored photo {row.photo_file[:12]}… is missing or damaged: restore it from a backup."
            )
        return data

    def _read_again(self, row: sa.Row[Any]) -> NewReading:
        """Read a stored photo anew with the hints given then."""
        neutral = parse_neutral(row.neutral) if row.neutral else None
        return self.worker.read(
            self._photo_bytes(row),
            row.id,
            self._pack,
            neutral,
            row.trace,
            seal=False,
            device=self.find_device(),
        )

    def _kept(self, tx: sa.Connection, retry: Retry | None, answer: Answer) -> Answer:
        if retry is not None:
            ledger.keep_answer(tx, retry.key, retry.fingerprint, answer)
        return answer


def _told_before(facts: Answer) -> float | None:
    """The diameter that a person told for an earlier reading."""
    size = facts["piece"]["size"]
    return float(size["diameter_mm"]) if size is not None and size["from"] == "told" else None


def _frame_piece(facts: Answer) -> tuple[int, int, int, int] | None:
    """The box (x0, y0, x1, y1) of the piece in the photo with a little room, or None where none was found."""
    rim = facts["piece"]["rim"]
    points = facts["piece"]["outline"] or (rim["curve"] if rim is not None else None)
    if not points:
        return None
    width, height = facts["photo"]["width"], facts["photo"]["height"]
    xs, ys = [x for x, _ in points], [y for _, y in points]
    room = FRAME_SHARE * max(max(xs) - min(xs), max(ys) - min(ys))
    x0, x1 = max(0, round(min(xs) - room)), min(width, round(max(xs) + room))
    y0, y1 = max(0, round(min(ys) - room)), min(height, round(max(ys) + room))
    return (x0, y0, x1, y1) if x1 - x0 >= 16 and y1 - y0 >= 16 else None
