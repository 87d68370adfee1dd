"""The few EXIF fields needed, read and written without a library: orientation, time, focal length."""

from __future__ import annotations

import re
import struct
from dataclasses import dataclass

# Tag numbers: Exif 3.0 (CIPA DC-008).
_ORIENTATION, _EXIF_IFD = 0x0112, 0x8769
_TIME, _OFFSET_TIME, _FOCAL_35MM = 0x9003, 0x9011, 0xA405
_ASCII, _SHORT, _LONG = 2, 3, 4
_MAX_ENTRIES = 512  # a real directory has a few dozen
_TIME_FORM = re.compile(r"(\d{4}):(\d\d):(\d\d) (\d\d):(\d\d):(\d\d)")
_OFFSET_FORM = re.compile(r"[+-]\d\d:\d\d")


@dataclass(frozen=True)
class ExifFacts:
    """Orientation 1..8, time as ISO 8601 or None, focal length in 35-mm terms or None."""

    orientation: int = 1
    taken_at: str | None = None
    focal_length_35mm: float | None = None


def read_exif(tiff: bytes) -> ExifFacts:
    """Read the fields from a TIFF-structured EXIF block; what is damaged or absent keeps its default."""
    try:
        order = {b"II": "<", b"MM": ">"}[tiff[:2]]
        (first,) = struct.unpack_from(order + "I", tiff, 4)
        top = _read_directory(tiff, order, first)
        sub = _read_directory(tiff, order, int(top[_EXIF_IFD])) if _EXIF_IFD in top else {}
    except (KeyError, struct.error, ValueError):
        return ExifFacts()
    orientation = top.get(_ORIENTATION, 1)
    focal = sub.get(_FOCAL_35MM, 0)
    return ExifFacts(
        orientation=orientation if isinstance(orientation, int) and 1 <= orientation <= 8 else 1,
        taken_at=_iso_time(str(sub.get(_TIME, "")), str(sub.get(_OFFSET_TIME, ""))),
        focal_length_35mm=float(focal) if isinstance(focal, int) and 4 <= focal <= 2000 else None,
    )


def _read_directory(tiff: bytes, order: str, offset: int) -> dict[int, int | str]:
    """First value of each SHORT, LONG or ASCII entry of the directory at ``offset``."""
    (count,) = struct.unpack_from(order + "H", tiff, offset)
    found: dict[int, int | str] = {}
    for index in range(min(count, _MAX_ENTRIES)):
        at = offset + 2 + 12 * index
        tag, kind, length, value = struct.unpack_from(order + "HHII", tiff, at)
        if kind == _SHORT:
            found[tag] = struct.unpack_from(order + "H", tiff, at + 8)[0]
        elif kind == _LONG:
            found[tag] = value
        elif kind == _ASCII and 0 < length <= 64:
            start = at + 8 if length <= 4 else value
            found[tag] = tiff[start : start + length].split(b"\0")[0].decode("ascii", "replace").strip()
    return found


def _iso_time(text: str, offset: str) -> str | None:
    match = _TIME_FORM.fullmatch(text)
    if match is None:
        return None
    year, month, day, hour, minute, second = (int(part) for part in match.groups())
    if not (
        1 <= month <= 12 and 1 <= day <= 31 and hour < 24 and minute < 60 and second < 61 and year > 1825
    ):
        return None
    zone = offset if _OFFSET_FORM.fullmatch(offset) else ""
    return f"{year:04d}-{month:02d}-{day:02d}T{hour:02d}:{minute:02d}:{second:02d}{zone}"


def write_exif(facts: ExifFacts) -> bytes:
    """Write a big-endian TIFF block that holds these fields and nothing else."""
    sub: list[tuple[int, int, bytes]] = []
    if facts.taken_at is not None:
        stamp = facts.taken_at[:19].replace("-", ":").replace("T", " ")
        sub.append((_TIME, _ASCII, stamp.encode("ascii") + b"\0"))
        if facts.taken_at[19:]:
            sub.append((_OFFSET_TIME, _ASCII, facts.taken_at[19:].encode("ascii") + b"\0"))
    if facts.focal_length_35mm is not None:
        sub.append((_FOCAL_35MM, _SHORT, struct.pack(">H", round(facts.focal_length_35mm))))
    top = [(_ORIENTATION, _SHORT, struct.pack(">H", facts.orientation))]
    if not sub:
        return b"MM\0*" + struct.pack(">I", 8) + _pack_directory(top, 8)
    sub_at = 8 + 2 + 12 * 2 + 4
    top.append((_EXIF_IFD, _LONG, struct.pack(">I", sub_at)))
    return b"MM\0*" + struct.pack(">I", 8) + _pack_directory(top, 8) + _pack_directory(sub, sub_at)


def _pack_directory(entries: list[tuple[int, int, bytes]], at: int) -> bytes:
    """One directory placed at offset ``at``, its long values right behind it."""
    table, values = struct.pack(">H", len(entries)), b""
    behind = at + 2 + 12 * len(entries) + 4
    for tag, kind, raw in entries:
        count = len(raw) // {_ASCII: 1, _SHORT: 2, _LONG: 4}[kind]
        inline = raw.ljust(4, b"\0") if len(raw) <= 4 else struct.pack(">I", behind + len(values))
        if len(raw) > 4:
            values += raw + b"\0" * (len(raw) % 2)
        table += struct.pack(">HHI", tag, kind, count) + inline
    return table + struct.pack(">I", 0) + values
