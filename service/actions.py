"""The use cases. Command line and HTTP only translate to and from these."""

from __future__ import annotations

from typing import Any

import sqlalchemy as sa

from service import items, ledger
from service.errors import NotFound
from service.labels import Labels, choose_metal
from service.readings import Answer, Readings
from service.retries import Retry
from service.settings import PAGE_SIZE
from service.store import now

NO_BORDER = (
    "No border could be cut from this photo, so it is kept but not matched: add one with the rim square on "
    "and in focus, or draw along the border."
)
NO_WEIGHTS = "The motif network is not installed, so this photo is kept but not matched yet."


class Actions(Readings):
    """All use cases: those about readings, and the gallery with its changes."""

    _doubts: tuple[int, Answer] | None = None

    def confirm_reading(self, reading_id: str, labels: Labels, retry: Retry | None = None) -> Answer:
        """Let a reading's photo join the gallery under these labels; again, it corrects the same item."""

        def confirm() -> Answer:
            with self.store.writing() as tx:
                reading = self.store.find_reading(tx, reading_id)
                if reading is None:
                    raise NotFound(f"There is no reading {reading_id!r}: read the photo again.")
                row = items.find_item_of_reading(tx, reading_id)
                if row is None:
                    self.store.require_photo(reading)
                    reason = self._why_unmatchable(tx, reading)
                    return self._kept(tx, retry, self._insert(tx, "confirm", reading_id, labels, reason))
                return self._kept(tx, retry, self._correct(tx, row, labels))

        return self._retries.once(retry, confirm)

    def add_photo(self, data: bytes, labels: Labels, retry: Retry | None = None) -> Answer:
        """Read a photo and add it to the gallery; the same photo with the same labels is added once."""

        def add() -> Answer:
            new = self.read_only(data)
            files = self.store.keep_files(new)
            reason = None if new.crops else NO_BORDER if new.recipe_id else NO_WEIGHTS
            with self.store.writing() as tx:
                motif_id = items.find_motif(tx, labels.motif)
                sha256 = new.facts["photo"]["sha256"]
                same = items.find_same_item(tx, sha256, motif_id, labels.others())
                if same is not None:
                    return self._kept(tx, retry, items.item_json(same) | {"change": None})
                self.store.insert_reading(tx, new, files)
                return self._kept(tx, retry, self._insert(tx, "add", new.facts["id"], labels, reason))

        return self._retries.once(retry, add)

    def list_gallery(self, motif: str | None = None, metal: str | None = None, page: int = 1) -> Answer:
        """One page of the gallery, newest first; "silver" finds platinum."""
        metal = choose_metal(metal) if metal is not None else None
        with self.store.looking() as tx:
            rows, total = items.list_items(tx, motif, metal, (page - 1) * PAGE_SIZE, PAGE_SIZE)
        pages = max(1, -(-total // PAGE_SIZE))
        return {"items": [items.item_json(r) for r in rows], "page": page, "pages": pages, "total": total}

    def find_item(self, item_id: str) -> Answer:
        """One present gallery item.

        Raises
        ------
        NotFound
            There is none of that id, or it was removed.
        """
        with self.store.looking() as tx:
            row = items.find_item(tx, item_id)
        if row is None or row._mapping["removed_at"] is not None:
            raise NotFound(f"There is no gallery item {item_id!r}.")
        return items.item_json(row)

    def find_items(self, item_ids: list[str]) -> dict[str, Answer]:
        """Those of the items that are in the gallery, by id."""
        with self.store.looking() as tx:
            rows = [items.find_item(tx, item_id) for item_id in item_ids]
        present = [row for row in rows if row is not None and row._mapping["removed_at"] is None]
        return {row._mapping["id"]: items.item_json(row) for row in present}

    def find_labels(self, reading_id: str) -> Answer | None:
        """The gallery item a reading was confirmed as, or None."""
        with self.store.looking() as tx:
            row = items.find_item_of_reading(tx, reading_id)
        return None if row is None or row._mapping["removed_at"] else items.item_json(row)

    def list_motifs(self) -> list[str]:
        """Names of the motifs in the gallery."""
        with self.store.looking() as tx:
            return items.list_motifs(tx)

    def list_doubts(self) -> Answer:
        """Gallery photos whose motif their neighbours speak against; looked for once a gallery."""
        from service.doubts import find_doubts

        with self.store.looking() as tx:
            version = items.gallery_version(tx)
        if self._doubts is None or self._doubts[0] != version:
            self._doubts = version, find_doubts(self.store)
        return self._doubts[1]

    def remove_item(self, item_id: str) -> str:
        """Take an item out of the gallery; photo and reading stay, so that it can be undone."""
        with self.store.writing() as tx:
            row = items.find_item(tx, item_id)
            if row is None or row._mapping["removed_at"] is not None:
                raise NotFound(f"There is no gallery item {item_id!r}.")
            before = items.snapshot(row)
            items.update_item(tx, item_id, removed_at=now())
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

        return self._retries.once(retry, undo)

    def tell_health(self) -> Answer:
        """Gallery size, model id and how busy the reader is."""
        started = self.worker.wait_ready()
        with self.store.looking() as tx:
            counts = items.count_gallery(tx)
        return {
            "status": "ok",
            "gallery": counts,
            "model_id": started.recipe_id,
            "model_problem": started.problem,
            "reader": self.worker.tell(),
        }

    def refresh_vectors(self, reading_id: str) -> None:
        """Make a gallery photo's vectors anew with today's network."""
        new = self._read_again(self._reading(reading_id))
        if new.recipe_id is None:
            return
        with self.store.writing() as tx:
            self.store.replace_vectors(tx, reading_id, new.recipe_id, new.crops)
            row = items.find_item_of_reading(tx, reading_id)
            if row is not None:
                reason = None if new.crops else NO_BORDER
                items.update_item(tx, row._mapping["id"], matchable=reason is None, reason=reason)
                ledger.log_change(tx, self.who, "refresh", row._mapping["id"], items.snapshot(row))

    def _why_unmatchable(self, tx: sa.Connection, reading: sa.Row[Any]) -> str | None:
        if self.store.count_vectors(tx, reading.id):
            return None
        return NO_BORDER if reading.recipe_id else NO_WEIGHTS

    def _insert(
        self, tx: sa.Connection, action: str, reading_id: str, labels: Labels, reason: str | None
    ) -> Answer:
        item_id = items.insert_item(tx, reading_id, labels.motif, labels.others(), reason)
        change = ledger.log_change(tx, self.who, action, item_id, None)
        row = items.find_item(tx, item_id)
        assert row is not None
        return items.item_json(row) | {"change": change}

    def _correct(self, tx: sa.Connection, row: sa.Row[Any], labels: Labels) -> Answer:
        """Give an item these labels, and its place in the gallery back; the log keeps what it was."""
        item_id, before = row._mapping["id"], items.snapshot(row)
        wanted = {"motif_id": items.find_motif(tx, labels.motif), **labels.others()}
        if before == wanted | {"present": True}:
            return items.item_json(row) | {"change": None}
        items.update_item(tx, item_id, **wanted, removed_at=None)
        change = ledger.log_change(tx, self.who, "correct", item_id, before)
        corrected = items.find_item(tx, item_id)
        assert corrected is not None
        return items.item_json(corrected) | {"change": change}
