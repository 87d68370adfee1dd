"""The boxes of a HEIC file (ISO/IEC 23008-12): its picture's size, metadata, and where its data lie.

Read before any pixel is decoded, so that limits hold first. Needs the `heic` extra only to promise that the
file can be decoded.
"""

from __future__ import annotations

import importlib.util
import struct
from collections.abc import Iterator
from dataclasses import dataclass, field

from model.errors import NotAPhoto, PhotoTooLarge, PhotoTruncated

BRANDS = (b"heic", b"heix", b"heim", b"heis", b"hevc", b"hevx")
MAX_BOXES = 20_000
MOST_TILE_SHARE = 4  # times the picture's pixels that its tiles may hold in all
KEPT_IN_META = (b"hdlr", b"pitm", b"iloc", b"iinf", b"iprp", b"iref", b"idat", b"dinf")
PICTURES = (b"hvc1", b"grid", b"iden")
MISSING = (
    "this is a HEIC photo, which needs the heic extra: install rimlight[heic], or set the phone's camera to "
    "its most compatible format, or share the photo as JPEG"
)
DAMAGED = "the HEIC data is damaged or rare: share the photo as JPEG"

Box = tuple[bytes, int, int]  # kind, start of its content, end
Span = tuple[int, int]


@dataclass
class HeicPhoto:
    """A parsed HEIC file.

    ``width``, ``height`` upright; ``end``: where the file's last sound box ends; ``kept``: spans of the first
    picture's data, ``items`` its parts; ``media``: spans of all data; ``labels``: of each item where its type
    and names lie; ``exif`` (TIFF structure) with its item and span; ``icc``; ``dropped``: other boxes.
    """

    width: int = 0
    height: int = 0
    end: int = 0
    kept: list[Span] = field(default_factory=list)
    media: list[Span] = field(default_factory=list)
    dropped: list[Span] = field(default_factory=list)
    items: frozenset[int] = frozenset()
    labels: list[tuple[int, Span]] = field(default_factory=list)
    exif: bytes | None = None
    exif_item: int | None = None
    exif_span: Span | None = None
    icc: bytes | None = None


def is_heic(data: bytes) -> bool:
    """Whether the file says it is one."""
    if data[4:8] != b"ftyp":
        return False
    (length,) = struct.unpack_from(">I", data)
    brands = {data[at : at + 4] for at in range(8, min(length, len(data), 200), 4)}
    return not brands.isdisjoint(BRANDS)


def can_decode() -> bool:
    """Whether the extra is installed."""
    return importlib.util.find_spec("pi_heif") is not None


def read_heic(data: bytes) -> HeicPhoto:
    """Parse the boxes; decodes nothing.

    Raises
    ------
    NotAPhoto
        The extra is missing, or the boxes make no sense.
    PhotoTruncated
        The file ends before its picture does.
    PhotoTooLarge
        The picture's tiles hold far more pixels than the picture.
    """
    if not can_decode():
        raise NotAPhoto(MISSING)
    try:
        return _Reader(data).read()
    except (struct.error, IndexError, KeyError) as error:
        raise NotAPhoto(DAMAGED) from error


class _Reader:
    """Walks one file's boxes."""

    def __init__(self, data: bytes) -> None:
        self._data = data
        self._left = MAX_BOXES
        self._meta: dict[bytes, Span] = {}
        self._found = HeicPhoto()

    def read(self) -> HeicPhoto:
        self._read_top()
        (primary,) = self._number_at(self._meta[b"pitm"], 4, 4 if self._version(b"pitm") else 2)
        kinds, spans, sources = self._read_kinds(), self._read_places(), self._read_sources()
        properties = self._read_properties()
        items = [primary, *sources.get((b"dimg", primary), [])]
        if any(kinds.get(item) not in PICTURES for item in items):
            raise NotAPhoto(DAMAGED)
        self._found.items = frozenset(items)
        self._found.kept = [span for item in items for span in spans.get(item, [])]
        self._measure(primary, items, properties, kinds.get(primary, b""), spans)
        for kind, start, end in properties.get(primary, []):
            if kind == b"colr" and self._data[start : start + 4] in (b"prof", b"rICC"):
                self._found.icc = self._data[start + 4 : end]
        exif = [
            i for i, kind in kinds.items() if kind == b"Exif" and primary in sources.get((b"cdsc", i), [])
        ]
        if exif and len(spans.get(exif[0], [])) == 1:
            self._found.exif_item = exif[0]
            self._take_exif(spans[exif[0]][0])
        return self._found

    def _boxes(self, at: int, end: int) -> Iterator[Box]:
        while at + 8 <= end:
            self._left -= 1
            if self._left < 0:
                raise PhotoTooLarge(
                    f"expected at most {MAX_BOXES} parts in the HEIC: share the photo as JPEG"
                )
            length, kind = struct.unpack_from(">I4s", self._data, at)
            head = 16 if length == 1 else 8
            if length == 1:
                (length,) = struct.unpack_from(">Q", self._data, at + 8)
            length = end - at if length == 0 else length
            if length < head or at + length > end:
                raise PhotoTruncated("the HEIC data ends early: send the file again")
            yield kind, at + head, at + length
            at += length

    def _read_top(self) -> None:
        """Find the boxes of the file; whatever follows the last sound one is no part of the photo."""
        found = self._found
        try:
            for kind, start, end in self._boxes(0, len(self._data)):
                if kind == b"meta" and not self._meta:
                    self._read_meta(start + 4, end)
                elif kind != b"ftyp":
                    (found.media if kind == b"mdat" else found.dropped).append((start, end))
                found.end = end
        except PhotoTruncated:
            if self._meta and not found.media:
                raise
        if not self._meta:
            raise NotAPhoto(DAMAGED)
        if b"idat" in self._meta:
            found.media.append(self._meta[b"idat"])

    def _read_meta(self, start: int, end: int) -> None:
        for kind, first, last in self._boxes(start, end):
            self._meta.setdefault(kind, (first, last))
            if kind not in KEPT_IN_META:
                self._found.dropped.append((first, last))

    def _version(self, kind: bytes) -> int:
        return self._data[self._meta[kind][0]]

    def _number_at(self, span: Span, offset: int, size: int, count: int = 1) -> tuple[int, ...]:
        if span[0] + offset + size * count > span[1]:
            raise struct.error("beyond the box")
        form = {0: "0s", 1: "B", 2: "H", 4: "I", 8: "Q"}[size]
        return (
            (0,) * count if size == 0 else struct.unpack_from(f">{count}{form}", self._data, span[0] + offset)
        )

    def _read_kinds(self) -> dict[int, bytes]:
        """Item id to its type; where the types lie, with the names behind them, is noted."""
        start, end = self._meta[b"iinf"]
        at = start + (8 if self._version(b"iinf") else 6)
        kinds = {}
        for kind, first, last in self._boxes(at, end):
            if kind != b"infe" or self._data[first] not in (2, 3):
                raise NotAPhoto(DAMAGED)
            size = 2 if self._data[first] == 2 else 4
            (item,) = self._number_at((first, last), 4, size)
            place = (first + 6 + size, last)
            self._number_at(place, 0, 4)
            kinds[item] = self._data[place[0] : place[0] + 4]
            self._found.labels.append((item, place))
        return kinds

    def _read_places(self) -> dict[int, list[Span]]:
        """Item id to the spans of its data."""
        span, version = self._meta[b"iloc"], self._version(b"iloc")
        sizes = self._number_at(span, 4, 1, 2)
        offset_size, length_size, base_size = sizes[0] >> 4, sizes[0] & 15, sizes[1] >> 4
        index_size = sizes[1] & 15 if version else 0
        wide = 4 if version == 2 else 2
        (count,) = self._number_at(span, 6, wide)
        at, places = 6 + wide, dict[int, list[Span]]()
        for _ in range(min(count, MAX_BOXES)):
            (item,) = self._number_at(span, at, wide)
            at += wide
            method = 0
            if version:
                method, at = self._number_at(span, at, 2)[0] & 15, at + 2
            (base,) = self._number_at(span, at + 2, base_size)
            at += 2 + base_size
            (extents,) = self._number_at(span, at, 2)
            at += 2
            start = {0: 0, 1: self._meta.get(b"idat", (0, 0))[0]}[method] + base
            for _ in range(extents):
                at += index_size
                (offset,) = self._number_at(span, at, offset_size)
                (length,) = self._number_at(span, at + offset_size, length_size)
                at += offset_size + length_size
                if start + offset + length > len(self._data):
                    raise PhotoTruncated("the HEIC data ends early: send the file again")
                places.setdefault(item, []).append((start + offset, start + offset + length))
        return places

    def _read_sources(self) -> dict[tuple[bytes, int], list[int]]:
        """(kind of reference, from item) to the items referred to."""
        if b"iref" not in self._meta:
            return {}
        start, end = self._meta[b"iref"]
        size = 4 if self._version(b"iref") else 2
        found = {}
        for kind, first, last in self._boxes(start + 4, end):
            (item,) = self._number_at((first, last), 0, size)
            (count,) = self._number_at((first, last), size, 2)
            found[kind, item] = list(self._number_at((first, last), size + 2, size, count))
        return found

    def _read_properties(self) -> dict[int, list[Box]]:
        """Item id to its property boxes."""
        inside = {kind: (first, last) for kind, first, last in self._boxes(*self._meta[b"iprp"])}
        known = list(self._boxes(*inside[b"ipco"]))
        span = inside[b"ipma"]
        version, flags = self._data[span[0]], self._data[span[0] + 3]
        (count,), at = self._number_at(span, 4, 4), 8
        id_size, place_size = (4 if version else 2), (2 if flags & 1 else 1)
        found: dict[int, list[Box]] = {}
        for _ in range(min(count, MAX_BOXES)):
            (item,) = self._number_at(span, at, id_size)
            (places,) = self._number_at(span, at + id_size, 1)
            at += id_size + 1
            numbers = self._number_at(span, at, place_size, places)
            at += place_size * places
            most = 0x7FFF if place_size == 2 else 0x7F
            found[item] = [known[(n & most) - 1] for n in numbers if 0 < (n & most) <= len(known)]
        return found

    def _measure(
        self,
        primary: int,
        items: list[int],
        properties: dict[int, list[Box]],
        kind: bytes,
        spans: dict[int, list[Span]],
    ) -> None:
        """The picture's size, upright, and that of its tiles, by what the boxes and the grid say."""
        size = {item: self._size_of(properties.get(item, [])) for item in items}
        width, height = size[primary]
        if kind == b"grid":
            span = spans[primary][0]
            wide = 4 if self._number_at(span, 1, 1)[0] & 1 else 2
            grid_width, grid_height = self._number_at(span, 4, wide, 2)
            width, height = max(width, grid_width), max(height, grid_height)
        tiles = sum(w * h for w, h in (size[item] for item in items[1:]))
        if tiles > MOST_TILE_SHARE * max(width * height, 1_000_000):
            raise PhotoTooLarge("the HEIC's tiles are far larger than its picture: share the photo as JPEG")
        turned = any(k == b"irot" and self._data[start] & 1 for k, start, _ in properties.get(primary, []))
        self._found.width, self._found.height = (height, width) if turned else (width, height)

    def _size_of(self, properties: list[Box]) -> tuple[int, int]:
        for kind, start, end in properties:
            if kind == b"ispe":
                width, height = self._number_at((start, end), 4, 4, 2)
                return width, height
        return 0, 0

    def _take_exif(self, span: Span) -> None:
        """The EXIF item starts with how many bytes lie before its TIFF structure."""
        (before,) = self._number_at(span, 0, 4)
        self._found.exif = self._data[span[0] + 4 + before : span[1]]
        self._found.exif_span = span
