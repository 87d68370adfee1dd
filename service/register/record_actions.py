"""Use cases of the register: add, correct, remove and show records, find them, see what changed."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import sqlalchemy as sa

from service.caller import current_caller, require_owner
from service.errors import RecordError
from service.labels import choose_metal
from service.ledger import keep_answer
from service.readings import Answer
from service.register.adding import list_with_it, put_corrected, put_new
from service.register.draft import Draft
from service.register.history import list_changes
from service.register.meant import find_meant, find_row
from service.register.pieces import load_piece_file, show_piece
from service.register.records import KINDS, Record
from service.register.search import FILTERS, search_texts, split_terms, sum_up
from service.register.shelf import find_said_about, list_records, record_of
from service.register.shown import show_record, show_records
from service.retries import Retries, Retry
from service.settings import PAGE_SIZE
from service.store import Store

Given = Mapping[str, Any]


class Records:
    """Use cases on one store; ``who`` names the caller in the log where no paired device does."""

    def __init__(self, store: Store, who: str) -> None:
        self.store = store
        self._who = who
        self._retries = Retries(store)

    @property
    def who(self) -> str:
        """Whoever the change is made by."""
        return current_caller().name or self._who

    def add_record(
        self, kind: str, given: Given, new_names: bool = False, retry: Retry | None = None
    ) -> Answer:
        """Add a record; a piece may bring its decorations and marks with it, as one change.

        Raises
        ------
        RecordError
            Naming every field that cannot be used; nothing is changed.
        """

        def add(tx: sa.Connection) -> Answer:
            require_owner_of_private(given)
            draft = Draft(tx, self.who)
            record = put_new(draft, kind, given, new_names)
            change = draft.finish(f"add {kind}")
            return {"record": self._show(tx, record), "change": change}

        return self._write(retry, add)

    def correct_record(
        self, kind: str, which: str, given: Given, new_names: bool = False, retry: Retry | None = None
    ) -> Answer:
        """Give some fields of a record other values; null takes a value away.

        Raises
        ------
        NotFound, RecordError
            There is no such record, or a field cannot be used; nothing is changed.
        """

        def correct(tx: sa.Connection) -> Answer:
            require_owner_of_private(given)
            draft = Draft(tx, self.who)
            row = find_row(tx, kind, which)
            record = put_corrected(draft, record_of(row), given, new_names)
            change = draft.finish(f"correct {kind}")
            return {"record": self._show(tx, record), "change": change}

        return self._write(retry, correct)

    def remove_record(self, kind: str, which: str, retry: Retry | None = None) -> Answer:
        """Remove a record; with a piece goes all that hangs on it. It can be undone.

        Raises
        ------
        NotFound, RecordError
            There is no such record, or another still needs it.
        """

        def remove(tx: sa.Connection) -> Answer:
            draft = Draft(tx, self.who)
            row = find_row(tx, kind, which)
            for record_id in list_with_it(tx, row.id, kind):
                draft.drop(record_id)
            return {"removed": row.id, "kind": kind, "change": draft.finish(f"remove {kind}")}

        return self._write(retry, remove)

    def show_record(self, kind: str, which: str, with_private: bool = False) -> Answer:
        """One record in full, with names; a piece with all that hangs on it and its bracket."""
        with self.store.looking() as tx:
            row = find_row(tx, kind, which)
            if kind == "piece":
                return show_piece(tx, load_piece_file(tx, row.id), with_private)
            said = find_said_about(tx, [row.id]).get(row.id, [])
            shown = show_record(tx, record_of(row), with_private)
            return shown | {"said_about": show_records(tx, said)}

    def list_records(self, kind: str, page: int = 1) -> Answer:
        """One page of the records of a kind, in order of number or name."""
        if kind not in KINDS:
            raise RecordError([f"kind: expected one of {', '.join(KINDS)}, got {kind[:40]!r}"])
        with self.store.looking() as tx:
            records, total = list_records(tx, kind, (page - 1) * PAGE_SIZE, PAGE_SIZE)
            return make_page(show_records(tx, records), page, total)

    def find_records(
        self,
        query: str,
        kinds: tuple[str, ...] = (),
        filters: Given | None = None,
        page: int = 1,
        with_private: bool = False,
    ) -> Answer:
        """Search over everything; ``filters`` narrow it to pieces of a motif, line, maker, metal or kind."""
        with self.store.looking() as tx:
            wanted = _find_filters(tx, filters or {})
            only = ("piece",) if wanted else kinds
            start = (page - 1) * PAGE_SIZE
            hits, total = search_texts(tx, query, only, wanted, with_private, start, PAGE_SIZE)
            return make_page(sum_up(tx, hits), page, total) | {"terms": split_terms(query)}

    def list_changes(
        self, since: str | None = None, kind: str | None = None, which: str | None = None, page: int = 1
    ) -> Answer:
        """The log, newest first: all, those since a time, or those of one record."""
        with self.store.looking() as tx:
            record_id = find_row(tx, kind, which).id if kind is not None and which is not None else None
            entries, total = list_changes(tx, since, record_id, (page - 1) * PAGE_SIZE, PAGE_SIZE)
        return make_page(entries, page, total)

    def _show(self, tx: sa.Connection, record: Record) -> Answer:
        return show_record(tx, record, with_private=current_caller().is_owner)

    def _write(self, retry: Retry | None, act: Callable[[sa.Connection], Answer]) -> Answer:
        """Do it in one transaction together with the answer that a retry gets."""

        def write() -> Answer:
            with self.store.writing() as tx:
                answer = act(tx)
                if retry is not None:
                    keep_answer(tx, retry.key, retry.fingerprint, answer)
                return answer

        return self._retries.once(retry, write)


def require_owner_of_private(given: Given) -> None:
    if "private" in given:
        require_owner()


def _find_filters(tx: sa.Connection, given: Given) -> dict[str, Any]:
    """Filters by name as filters by id."""
    wanted: dict[str, Any] = {}
    for name, value in given.items():
        if value is None:
            continue
        if name in ("motif", "line", "maker", "distributor"):
            wanted[f"{name}_id"] = find_meant(tx, name, value)
        elif name == "metal":
            wanted[name] = choose_metal(value)
        elif name in FILTERS:
            wanted[name] = value
        else:
            raise RecordError([f"{name[:40]}: there is no such filter"])
    return wanted


def make_page(entries: list[Any], page: int, total: int) -> Answer:
    return {"items": entries, "page": page, "pages": max(1, -(-total // PAGE_SIZE)), "total": total}
