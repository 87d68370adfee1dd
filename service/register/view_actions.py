"""Use cases that show the whole register: grid, overlaps, news, conflicts, order in time, label and sheet."""

from __future__ import annotations

from typing import Any

from service.readings import Answer
from service.register.aoristic import sum_sightings
from service.register.conflicts import find_conflicts
from service.register.grid import Grid, make_grid
from service.register.motif_order import order_motifs
from service.register.news import find_all_news
from service.register.overlaps import find_overlaps
from service.register.piece_actions import Pieces
from service.register.record_actions import make_page
from service.register.sightings import Lists, Sighting
from service.register.views import Overview
from service.settings import PAGE_SIZE
from service.store import Store

Seen = tuple[Sighting, ...]


class Register(Pieces):
    """All use cases of the register."""

    def __init__(self, store: Store, who: str) -> None:
        super().__init__(store, who)
        self.overview = Overview(store)

    def show_grid(self) -> Answer:
        """Motif by line by metal: counts, blanks, first and last dates and the piece that sets each."""
        return self.overview.make("grid json", lambda seen, lists: make_grid(seen, lists).as_json())

    def list_overlaps(self, page: int = 1) -> Answer:
        """Motifs that several lines share, gold here and platinum there."""
        return self._list("overlaps", page)

    def list_news(self, page: int = 1) -> Answer:
        """What only one piece of this register shows."""
        return self._list("news", page)

    def list_conflicts(self, page: int = 1, weight: str | None = None, kind: str | None = None) -> Answer:
        """Records that cannot all be right, and questions, each with what would settle it."""
        kept = self.overview.make("conflicts", _LISTED["conflicts"])
        chosen = [c for c in kept if weight in (None, c["weight"]) and kind in (None, c["kind"])]
        return _cut(chosen, page)

    def show_order(self) -> Answer:
        """The motifs in order of time, with how sure that is."""
        return self.overview.make("order", lambda seen, lists: order_motifs(seen, lists.motifs).as_json())

    def show_spread(self, step_years: int = 5) -> Answer:
        """How the register's pieces spread over time, each over its own years."""
        return self.overview.make(
            ("spread", step_years), lambda seen, lists: sum_sightings(seen, step_years).as_json()
        )

    def _list(self, name: str, page: int) -> Answer:
        return _cut(self.overview.make(name, _LISTED[name]), page)

    def _grid(self) -> Grid:
        return self.overview.make("grid", make_grid)


def _make_overlaps(seen: Seen, lists: Lists) -> list[Answer]:
    return [overlap.as_json() for overlap in find_overlaps(make_grid(seen, lists))]


def _make_news(seen: Seen, lists: Lists) -> list[Answer]:
    return [news.as_json() for news in find_all_news(seen, lists)]


def _make_conflicts(seen: Seen, lists: Lists) -> list[Answer]:
    return [conflict.as_json() for conflict in find_conflicts(seen, lists)]


_LISTED = {"overlaps": _make_overlaps, "news": _make_news, "conflicts": _make_conflicts}


def _cut(entries: list[Any], page: int) -> Answer:
    """One page of a list that is whole in memory."""
    start = (page - 1) * PAGE_SIZE
    return make_page(entries[start : start + PAGE_SIZE], page, len(entries))
