"""All use cases of the register in one; those for the printer are here: sale label and talk sheet."""

from __future__ import annotations

import contextlib
import io
from collections.abc import Callable

from model.errors import RimlightError
from service.errors import RecordError
from service.register.meant import find_meant
from service.register.pieces import load_piece_file
from service.register.sale_label import SaleLabel, write_label
from service.register.search import search_texts
from service.register.sightings import PieceFile
from service.register.talk_sheet import SheetEntry, write_talk_sheet
from service.register.view_actions import Views
from service.store import Store

FindStrip = Callable[[str], bytes]
MOST_ON_SHEET = 60  # pieces: a sheet that a browser still prints without effort
STRIP_WIDTH_PX = 1600
STRIP_QUALITY = 82


class Register(Views):
    """Everything; ``find_strip`` gives the unrolled rim of a reading as PNG."""

    def __init__(self, store: Store, who: str, find_strip: FindStrip | None = None) -> None:
        super().__init__(store, who)
        self._find_strip = find_strip

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
            files = [load_piece_file(tx, piece_id) for piece_id in ids]
        entries = [SheetEntry(file, self._find_small_strip(file)) for file in files]
        drawn = [self.draw_timeline("motif")] if drawings else []
        return write_talk_sheet(title, entries, intro, drawn)

    def _find_small_strip(self, file: PieceFile) -> bytes | None:
        """The strip of the piece's first rim photo that has one, small enough for a page of many."""
        if self._find_strip is None:
            return None
        for photo in file.piece.photos:
            if photo.role != "mark":
                with contextlib.suppress(RimlightError):
                    return shrink_strip(self._find_strip(photo.reading_id))
        return None


def shrink_strip(png: bytes) -> bytes:
    """A strip as JPEG, at most ``STRIP_WIDTH_PX`` wide."""
    from PIL import Image

    with Image.open(io.BytesIO(png)) as strip:
        small = strip.convert("RGB")
        small.thumbnail((STRIP_WIDTH_PX, STRIP_WIDTH_PX))
        kept = io.BytesIO()
        small.save(kept, "JPEG", quality=STRIP_QUALITY)
    return kept.getvalue()
