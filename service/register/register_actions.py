"""All use cases of the register in one; here: what a mark, a number or a reading tells; label and sheet."""

from __future__ import annotations

import contextlib
import io
from collections.abc import Callable
from typing import Any

import sqlalchemy as sa

from model.errors import RimlightError
from service.actions import Actions
from service.errors import NotFound, RecordError
from service.readings import Answer
from service.register.date_codes import read_date_code
from service.register.joining import find_labels
from service.register.listed import Want
from service.register.meant import find_ids, find_meant
from service.register.news import find_news, index_combinations
from service.register.number_rules import read_number
from service.register.pieces import load_piece_file
from service.register.sale_label import SaleLabel, write_label
from service.register.search import search_texts
from service.register.shelf import list_records, load_lists
from service.register.sightings import PieceFile, Sighting
from service.register.talk_sheet import SheetEntry, write_talk_sheet
from service.register.view_actions import MOST_WANTS, Views
from service.register.wants import check_wants, find_wanted
from service.store import Store

FindPicture = Callable[[str], bytes]
"""The picture of a reading, by its id."""
MOST_ON_SHEET = 60  # pieces: a sheet that a browser still prints without effort
STRIP_WIDTH_PX = 1600
STRIP_QUALITY = 82


class Register(Views):
    """Everything; ``find_strip`` gives a reading's unrolled rim as PNG, ``find_photo`` its photo as JPEG."""

    def __init__(
        self,
        store: Store,
        who: str,
        find_strip: FindPicture | None = None,
        find_photo: FindPicture | None = None,
    ) -> None:
        super().__init__(store, who)
        self._find_strip = find_strip
        self._find_photo = find_photo

    def suggest_mark(self, reading_id: str) -> Answer:
        """The text of a mark as a program reads it in a photo: to be corrected, never a fact.

        Raises
        ------
        NotFound
            There is no such reading, or its photo is not at hand.
        """
        if self._find_photo is None:
            raise NotFound("The photo is not at hand: ask the running service.")
        from service.register.mark_reader import read_mark_photo  # it needs OpenCV, which is slow to import

        return {"reading_id": reading_id} | read_mark_photo(self._find_photo(reading_id))

    def read_number(self, number: str, maker: str | None = None) -> Answer:
        """What a decoration number tells by the rules written for its maker, or for each maker."""
        with self.store.looking() as tx:
            maker_id = find_meant(tx, "maker", maker) if maker is not None else None
            meanings = read_number(number, maker_id, load_lists(tx))
        return {"number": number, "meanings": [meaning.as_json() for meaning in meanings]}

    def read_date_code(self, code: str, maker: str | None = None) -> Answer:
        """What the code of a mark tells by the rules written for its maker, or for each maker."""
        with self.store.looking() as tx:
            maker_id = find_meant(tx, "maker", maker) if maker is not None else None
            meanings = read_date_code(code, maker_id, load_lists(tx))
        return {"code": code, "meanings": [meaning.as_json() for meaning in meanings]}

    def tell_news(self, reading_id: str) -> Answer:
        """What a confirmed reading would add to this register, and which wishes it would meet.

        Raises
        ------
        RecordConflict
            The reading is not confirmed.
        """
        with self.store.looking() as tx:
            seen = _see_labels(tx, find_labels(tx, reading_id))
            wants = [want for want in list_records(tx, "want", 0, MOST_WANTS)[0] if isinstance(want, Want)]
        known = self.overview.make("combinations", lambda sightings, _: index_combinations(sightings))
        found = self.overview.make(("news of", seen), lambda _, lists: find_news(seen, known, lists))
        states = self.overview.make("want states", lambda s, lists: check_wants(wants, s, lists))
        return {
            "reading_id": reading_id,
            "news": [news.as_json() for news in found],
            "wanted": [state.as_json() for state in find_wanted(seen, states)],
        }

    def write_label(self, which: str) -> SaleLabel:
        """An honest sale label of one piece; what is private never reaches it."""
        with self.store.looking() as tx:
            return write_label(load_piece_file(tx, find_meant(tx, "piece", which)))

    def write_sheet(
        self, title: str, pieces: list[str], query: str | None = None, intro: str = "", drawings: bool = True
    ) -> str:
        """A sheet for a talk as one HTML page: strips side by side by motif, sources, timeline.

        Raises
        ------
        NotFound, RecordError
            A piece is not there; none or too many are asked for.
        """
        entries = [
            SheetEntry(file, self._find_small_strip(file)) for file in self.choose_for_sheet(pieces, query)
        ]
        drawn = [self.draw_timeline("motif")] if drawings else []
        return write_talk_sheet(title, entries, intro, drawn)

    def choose_for_sheet(self, pieces: list[str], query: str | None = None) -> list[PieceFile]:
        """The pieces named, and those that a search finds, with all that hangs on them.

        Raises
        ------
        NotFound, RecordError
            A piece is not there; none or too many are asked for.
        """
        with self.store.looking() as tx:
            ids = [find_meant(tx, "piece", which) for which in pieces]
            if query is not None:
                hits, _ = search_texts(tx, query, ("piece",), limit=MOST_ON_SHEET + 1)
                ids += [hit.record_id for hit in hits]
            ids = list(dict.fromkeys(ids))
            if not 0 < len(ids) <= MOST_ON_SHEET:
                raise RecordError(
                    [f"pieces: a sheet holds 1 to {MOST_ON_SHEET} pieces, these are {len(ids)}"]
                )
            return [load_piece_file(tx, piece_id) for piece_id in ids]

    def _find_small_strip(self, file: PieceFile) -> bytes | None:
        """The strip of the piece's first rim photo that has one, small enough for a page of many."""
        if self._find_strip is None:
            return None
        for photo in file.piece.photos:
            if photo.role != "mark":
                with contextlib.suppress(RimlightError):
                    return shrink_strip(self._find_strip(photo.reading_id))
        return None


def _see_labels(tx: sa.Connection, labels: dict[str, Any]) -> Sighting:
    """What a person confirmed, as one sighting of a piece that is not there yet."""
    lines = find_ids(tx, "line", labels["line"]) if labels["line"] else []
    makers = find_ids(tx, "maker", labels["maker"]) if labels["maker"] else []
    return Sighting(
        piece_id="",
        piece_number="",
        piece_kind=labels["piece"] or "",
        owned=False,
        decoration_id="",
        motif_id=labels["motif_id"],
        variant=labels["variant"],
        metal=labels["metal"],
        line_id=lines[0] if len(lines) == 1 else None,
        maker_id=makers[0] if len(makers) == 1 else None,
        distributor_id=None,
        number=labels["decoration_number"],
        earliest=None,
        latest=None,
    )


def shrink_strip(png: bytes) -> bytes:
    """A strip as JPEG, at most ``STRIP_WIDTH_PX`` wide."""
    from PIL import Image

    with Image.open(io.BytesIO(png)) as strip:
        small = strip.convert("RGB")
        small.thumbnail((STRIP_WIDTH_PX, STRIP_WIDTH_PX))
        kept = io.BytesIO()
        small.save(kept, "JPEG", quality=STRIP_QUALITY)
    return kept.getvalue()


def make_register(actions: Actions) -> Register:
    """The register of the same store, with the pictures of its readings."""
    return Register(
        actions.store,
        actions.who,
        actions.find_strip,
        lambda reading_id: actions.find_picture(reading_id, "display"),
    )
