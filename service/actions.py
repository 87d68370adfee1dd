"""The use cases. Command line and HTTP only translate to and from these."""

from __future__ import annotations

import hashlib
import json
import threading
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import sqlalchemy as sa

from model.hints import parse_neutral, parse_trace
from service import ledger
from service.errors import NotFound
from service.labels import Labels, choose_metal
from service.settings import PAGE_SIZE
from service.store import NewReading, PackedGallery, Store, now
from service.worker import Worker

Answer = dict[str, Any]
NO_BORDER = (
    "No border could be cut from this photo, so it is kept but not matched: add one with the rim square on "
    "and in focus, or draw along the border."
)
NO_WEIGHTS = "The motif network is not installed, so this photo is kept but not matched yet."


@dataclass(frozen=True)
class Retry:
    """An Idempotency-Key with a fingerprint of the request it came with."""

    key: str
    fingerprint: str


def fingerprint(*parts: str | bytes | None) -> str:
    """One hash of everything that makes two requests the same."""
    joined = hashlib.sha256()
    for part in parts:
        data = b"\0none" if part is None else part.encode() if isinstance(part, str) else part
        joined.update(len(data).to_bytes(8, "big") + data)
    return joined.hexdigest()


class Actions:
    """Use cases on one store with one worker; ``who`` names the caller in the change log."""

    def __init__(self, store: Store, worker: Worker, who: str) -> None:
        self.store = store
        self.worker = worker
        self.who = who
        self._one_retry_at_a_time = threading.Lock()
        self._retries: dict[str, tuple[threading.Lock, int]] = {}

    # Reading.

    def read_only(self, data: bytes, neutral: str | None = None, trace: str | None = None) -> NewReading:
        """Read a photo without storing anything.

        Raises
        ------
        model.errors.PhotoError, model.errors.HintError
            The photo or a hint cannot be used.
        """
        spot = parse_neutral(neutral) if neutral is not None else None
        if trace is not None:
            parse_trace(trace)
        return self.worker.read(data, ledger.new_id(), self._pack, spot, trace)

    def read_photo(
        self, data: bytes, neutral: str | None = None, trace: str | None = None, retry: Retry | None = None
    ) -> Answer:
        """Read a photo and keep the reading, so that it can be shown again and confirmed."""

        def read() -> Answer:
            new = self.read_only(data, neutral, trace)
            files = self.store.keep_files(new)
            with self.store.writing() as tx:
                self.store.insert_reading(tx, new, files)
                return self._kept(tx, retry, new.facts)

        return self._once(retry, read)

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
    ) -> Answer:
        """Read the photo of an earlier reading anew, with a hint; a new reading."""

        def read() -> Answer:
            row = self._reading(reading_id)
            new = self.read_only(self._photo_bytes(row), neutral, trace)
            new.facts["photo"]["sha256"] = row.photo_sha256  # of the upload, not of the sealed copy
            files = self.store.keep_files(new)
            with self.store.writing() as tx:
                self.store.insert_reading(tx, new, files)
                return self._kept(tx, retry, new.facts)

        return self._once(retry, read)

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

    def find_picture(self, reading_id: str, max_side_px: int) -> bytes:
        """A re-encoded JPEG of a reading's photo; the stored file itself is never served.

        Raises
        ------
        NotFound
            No such reading, or its photo file is missing.
        """
        row = self._reading(reading_id)
        cached = self.store.derived / f"{row.photo_file.split('.')[0]}-{max_side_px}.jpg"
        if cached.is_file():
            return cached.read_bytes()
        picture = self.worker.derive(self._photo_bytes(row), max_side_px)
        self.store.keep_derived(cached, picture)
        return picture

    # The gallery.

    def confirm_reading(self, reading_id: str, labels: Labels, retry: Retry | None = None) -> Answer:
        """Let a reading's photo join the gallery under these labels; again, it corrects the same item."""

        def confirm() -> Answer:
            with self.store.writing() as tx:
                reading = self.store.find_reading(tx, reading_id)
                if reading is None:
                    raise NotFound(f"There is no reading {reading_id!r}: read the photo again.")
                row = ledger.find_item_of_reading(tx, reading_id)
                if row is None:
                    reason = self._why_unmatchable(tx, reading)
                    return self._kept(tx, retry, self._insert(tx, "confirm", reading_id, labels, reason))
                return self._kept(tx, retry, self._correct(tx, row, labels))

        return self._once(retry, confirm)

    def add_photo(self, data: bytes, labels: Labels, retry: Retry | None = None) -> Answer:
        """Read a photo and add it to the gallery; the same photo with the same labels is added once."""

        def add() -> Answer:
            new = self.read_only(data)
            files = self.store.keep_files(new)
            reason = None if new.crops else NO_BORDER if new.recipe_id else NO_WEIGHTS
            with self.store.writing() as tx:
                motif_id = ledger.find_motif(tx, labels.motif)
                sha256 = new.facts["photo"]["sha256"]
                same = ledger.find_same_item(tx, sha256, motif_id, labels.others())
                if same is not None:
                    return self._kept(tx, retry, ledger.item_json(same) | {"change": None})
                self.store.insert_reading(tx, new, files)
                return self._kept(tx, retry, self._insert(tx, "add", new.facts["id"], labels, reason))

        return self._once(retry, add)

    def list_gallery(self, motif: str | None = None, metal: str | None = None, page: int = 1) -> Answer:
        """One page of the gallery, newest first; "silver" finds platinum."""
        metal = choose_metal(metal) if metal is not None else None
        with self.store.looking() as tx:
            rows, total = ledger.list_items(tx, motif, metal, (page - 1) * PAGE_SIZE, PAGE_SIZE)
        pages = max(1, -(-total // PAGE_SIZE))
        return {"items": [ledger.item_json(r) for r in rows], "page": page, "pages": pages, "total": total}

    def find_item(self, item_id: str) -> Answer:
        """One present gallery item.

        Raises
        ------
        NotFound
            There is none of that id, or it was removed.
        """
        with self.store.looking() as tx:
            row = ledger.find_item(tx, item_id)
        if row is None or row._mapping["removed_at"] is not None:
            raise NotFound(f"There is no gallery item {item_id!r}.")
        return ledger.item_json(row)

    def find_items(self, item_ids: list[str]) -> dict[str, Answer]:
        """Those of the items that are in the gallery, by id."""
        with self.store.looking() as tx:
            rows = [ledger.find_item(tx, item_id) for item_id in item_ids]
        present = [row for row in rows if row is not None and row._mapping["removed_at"] is None]
        return {row._mapping["id"]: ledger.item_json(row) for row in present}

    def find_labels(self, reading_id: str) -> Answer | None:
        """The gallery item a reading was confirmed as, or None."""
        with self.store.looking() as tx:
            row = ledger.find_item_of_reading(tx, reading_id)
        return None if row is None or row._mapping["removed_at"] else ledger.item_json(row)

    def list_motifs(self) -> list[str]:
        """Names of the motifs in the gallery."""
        with self.store.looking() as tx:
            return ledger.list_motifs(tx)

    def remove_item(self, item_id: str) -> str:
        """Take an item out of the gallery; photo and reading stay, so that it can be undone."""
        with self.store.writing() as tx:
            row = ledger.find_item(tx, item_id)
            if row is None or row._mapping["removed_at"] is not None:
                raise NotFound(f"There is no gallery item {item_id!r}.")
            before = ledger.snapshot(row)
            ledger.update_item(tx, item_id, removed_at=now())
            return ledger.log_change(tx, self.who, "delete", item_id, before)

    def undo_change(self, change_id: str | None = None, retry: Retry | None = None) -> Answer:
        """Undo one change, by default the last.

        Raises
        ------
        NothingToUndo
            Nothing, or not this, can be undone now.
        """

        def undo() -> Answer:
            with self.store.writing() as tx:
                return self._kept(tx, retry, ledger.undo(tx, change_id, self.who))

        return self._once(retry, undo)

    def tell_health(self) -> Answer:
        """Gallery size and model id."""
        started = self.worker.wait_ready()
        with self.store.looking() as tx:
            counts = ledger.count_gallery(tx)
        return {
            "status": "ok",
            "gallery": counts,
            "model_id": started.recipe_id,
            "model_problem": started.problem,
        }

    # Shared steps.

    def _pack(self, version: int | None, recipe_id: str) -> PackedGallery | None:
        with self.store.looking() as tx:
            if ledger.gallery_version(tx) == version:
                return None
            return ledger.pack_gallery(tx, recipe_id)

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
        return self.worker.read(self._photo_bytes(row), row.id, self._pack, neutral, row.trace, seal=False)

    def refresh_vectors(self, reading_id: str) -> None:
        """Make a gallery photo's vectors anew with today's network."""
        new = self._read_again(self._reading(reading_id))
        if new.recipe_id is None:
            return
        with self.store.writing() as tx:
            self.store.replace_vectors(tx, reading_id, new.recipe_id, new.crops)
            row = ledger.find_item_of_reading(tx, reading_id)
            if row is not None:
                reason = None if new.crops else NO_BORDER
                ledger.update_item(tx, row._mapping["id"], matchable=reason is None, reason=reason)
                ledger.log_change(tx, self.who, "refresh", row._mapping["id"], ledger.snapshot(row))

    def _why_unmatchable(self, tx: sa.Connection, reading: sa.Row[Any]) -> str | None:
        if self.store.count_vectors(tx, reading.id):
            return None
        return NO_BORDER if reading.recipe_id else NO_WEIGHTS

    def _insert(
        self, tx: sa.Connection, action: str, reading_id: str, labels: Labels, reason: str | None
    ) -> Answer:
        item_id = ledger.insert_item(tx, reading_id, labels.motif, labels.others(), reason)
        change = ledger.log_change(tx, self.who, action, item_id, None)
        row = ledger.find_item(tx, item_id)
        assert row is not None
        return ledger.item_json(row) | {"change": change}

    def _correct(self, tx: sa.Connection, row: sa.Row[Any], labels: Labels) -> Answer:
        """Give an item these labels, and its place in the gallery back; the log keeps what it was."""
        item_id, before = row._mapping["id"], ledger.snapshot(row)
        wanted = {"motif_id": ledger.find_motif(tx, labels.motif), **labels.others()}
        if before == wanted | {"present": True}:
            return ledger.item_json(row) | {"change": None}
        ledger.update_item(tx, item_id, **wanted, removed_at=None)
        change = ledger.log_change(tx, self.who, "correct", item_id, before)
        corrected = ledger.find_item(tx, item_id)
        assert corrected is not None
        return ledger.item_json(corrected) | {"change": change}

    def _kept(self, tx: sa.Connection, retry: Retry | None, answer: Answer) -> Answer:
        if retry is not None:
            ledger.keep_answer(tx, retry.key, retry.fingerprint, answer)
        return answer

    def _once(self, retry: Retry | None, act: Callable[[], Answer]) -> Answer:
        """Do it, unless this very request was answered before; the same key waits for the first."""
        if retry is None:
            return act()
        with self._lock_of(retry.key):
            with self.store.looking() as tx:
                kept = ledger.find_answer(tx, retry.key, retry.fingerprint)
            if kept is not None:
                return kept
            try:
                return act()
            except sa.exc.IntegrityError:  # another process answered the same key meanwhile
                with self.store.looking() as tx:
                    kept = ledger.find_answer(tx, retry.key, retry.fingerprint)
                if kept is None:
                    raise
                return kept

    def _lock_of(self, key: str) -> _SharedLock:
        return _SharedLock(self._retries, self._one_retry_at_a_time, key)


class _SharedLock:
    """A lock by name that is forgotten when nobody holds or awaits it."""

    def __init__(
        self, locks: dict[str, tuple[threading.Lock, int]], guard: threading.Lock, name: str
    ) -> None:
        self._locks, self._guard, self._name = locks, guard, name

    def __enter__(self) -> None:
        with self._guard:
            lock, users = self._locks.get(self._name, (threading.Lock(), 0))
            self._locks[self._name] = (lock, users + 1)
        lock.acquire()

    def __exit__(self, *_: object) -> None:
        with self._guard:
            lock, users = self._locks[self._name]
            if users == 1:
                del self._locks[self._name]
            else:
                self._locks[self._name] = (lock, users - 1)
        lock.release()
