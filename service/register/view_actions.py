"""Use cases that show the whole register: grid, timeline, overlaps, news, conflicts, wants, sets."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, Literal, cast

import sqlalchemy as sa

from service.readings import Answer
from service.register import pictures, timeline
from service.register.aoristic import sum_sightings
from service.register.conflicts import find_conflicts
from service.register.grid import Grid, make_grid
from service.register.listed import Want
from service.register.motif_order import order_motifs
from service.register.news import find_all_news
from service.register.overlaps import find_overlaps
from service.register.piece_actions import Pieces
from service.register.record_actions import make_page
from service.register.sets import find_marriages, find_partners
from service.register.shelf import list_records
from service.register.sightings import Lists, Sighting
from service.register.views import Overview, find_diameters_mm, find_pairs
from service.register.wants import check_wants, find_duplicates
from service.settings import PAGE_SIZE
from service.store import Store

Seen = tuple[Sighting, ...]
Table = tuple[tuple[str, ...], ...]
By = Literal["motif", "line"]
Pairs = Mapping[str, tuple[str, ...]]
MOST_WANTS = 10_000


class Views(Pieces):
    """Pieces, and views over all of them."""

    def __init__(self, store: Store, who: str) -> None:
        super().__init__(store, who)
        self.overview = Overview(store)

    def show_grid(self) -> Answer:
        """Motif by line by metal: counts, blanks, first and last dates and the piece that sets each."""
        return self.overview.make("grid", lambda *_: self._grid().as_json())

    def tabulate_grid(self) -> Table:
        """The grid as a table of texts, headings first."""
        return self.overview.make("grid table", lambda *_: self._grid().as_table())

    def draw_grid(self) -> str:
        """The grid as a picture (SVG)."""
        return self.overview.make("grid svg", lambda *_: pictures.draw_grid(self._grid()))

    def show_timeline(self, by: By = "motif") -> Answer:
        """When motifs, or lines, were in use by their dated pieces."""
        rows = self._rows(by)
        return {"by": by, "rows": [row.as_json() for row in rows]}

    def tabulate_timeline(self, by: By = "motif") -> Table:
        """The timeline as a table of texts, headings first."""
        return timeline.tabulate_timeline(self._rows(by))

    def draw_timeline(self, by: By = "motif") -> str:
        """The timeline as a picture (SVG)."""
        return timeline.draw_timeline(self._rows(by))

    def show_order(self) -> Answer:
        """The motifs in order of time, with how sure that is."""
        return self.overview.make("order", lambda seen, lists: order_motifs(seen, lists.motifs).as_json())

    def show_spread(self, step_years: int = 5) -> Answer:
        """How the pieces spread over time, each over its own years."""
        name = ("spread", step_years)
        return self.overview.make(name, lambda seen, _: sum_sightings(seen, step_years).as_json())

    def tabulate_spread(self, step_years: int = 5) -> Table:
        """The spread as a table of texts, headings first."""
        name = ("spread table", step_years)
        return self.overview.make(name, lambda s, _: pictures.tabulate_sums(sum_sightings(s, step_years)))

    def draw_spread(self, step_years: int = 5) -> str:
        """The spread as a picture (SVG)."""
        name = ("spread svg", step_years)
        return self.overview.make(name, lambda s, _: pictures.draw_sums(sum_sightings(s, step_years)))

    def list_overlaps(self, page: int = 1) -> Answer:
        """Motifs that several lines share, gold here and platinum there."""
        make = _listed(lambda *_: find_overlaps(self._grid()))
        return _cut(self.overview.make("overlaps", make), page)

    def list_news(self, page: int = 1) -> Answer:
        """What one piece of this register shows and no other here."""
        return _cut(self.overview.make("news", _listed(find_all_news)), page)

    def list_conflicts(
        self,
        page: int = 1,
        weight: str | None = None,
        kind: str | None = None,
        record_id: str | None = None,
    ) -> Answer:
        """Records that cannot all be right, and questions, each with what would settle it."""
        pairs = self._ask("pairs", find_pairs)

        def find(seen: Seen, lists: Lists) -> list[Any]:
            return [*find_conflicts(seen, lists), *find_marriages(seen, pairs, lists)]

        kept = self.overview.make("conflicts", _listed(find))
        found = [c for c in kept if weight in (None, c["weight"]) and kind in (None, c["kind"])]
        if record_id is not None:
            found = [c for c in found if any(record["id"] == record_id for record in c["records"])]
        return _cut(found, page)

    def list_wants(self, page: int = 1) -> Answer:
        """The want list: how far each wish is met, and by which pieces."""

        def find(tx: sa.Connection) -> list[Want]:
            return cast("list[Want]", list_records(tx, "want", 0, MOST_WANTS)[0])

        wants = self._ask("want records", find)
        make = _listed(lambda seen, lists: check_wants(wants, seen, lists))
        return _cut(self.overview.make("wants", make), page)

    def list_duplicates(self, page: int = 1) -> Answer:
        """Owned pieces that the register cannot tell apart by kind, line, motif, variant and metal."""
        return _cut(self.overview.make("duplicates", _listed(find_duplicates)), page)

    def list_partners(self, page: int = 1) -> Answer:
        """Lone cups, saucers, lids and stands, with pieces that may go with them: a question each."""
        pairs, sizes = self._ask("pairs", find_pairs), self._ask("diameters", find_diameters_mm)
        make = _listed(lambda seen, _: find_partners(seen, pairs, sizes))
        return _cut(self.overview.make("partners", make), page)

    def _grid(self) -> Grid:
        return self.overview.make("made grid", make_grid)

    def _rows(self, by: By) -> tuple[timeline.TimelineRow, ...]:
        return self.overview.make(("timeline", by), lambda s, lists: timeline.make_timeline(s, lists, by))

    def _ask(self, name: str, find: Callable[[sa.Connection], Any]) -> Any:
        """What a query finds, asked once for each state of the register."""

        def make(_: Seen, __: Lists) -> Any:
            with self.store.looking() as tx:
                return find(tx)

        return self.overview.make(name, make)


def _listed(find: Callable[[Seen, Lists], Any]) -> Callable[[Seen, Lists], list[Answer]]:
    """What is found, as plain JSON."""
    return lambda seen, lists: [entry.as_json() for entry in find(seen, lists)]


def _cut(entries: list[Any], page: int) -> Answer:
    """One page of a list that is whole in memory."""
    start = (page - 1) * PAGE_SIZE
    return make_page(entries[start : start + PAGE_SIZE], page, len(entries))
