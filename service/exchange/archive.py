"""The archive file: a ZIP (ISO/IEC 21320-1 without its compression) whose bytes depend on its content only.

Members are stored, never compressed: what they take on disk is what they say, so no member can swell, and
no version of a compressor changes a byte. Order, times and rights are fixed. The last member lists the
SHA-256 of all others. Member names are checked against a pattern and are never used as paths.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import re
import stat
import struct
import zipfile
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import IO, Any

from service.errors import ServiceError
from service.files import sync_folder

FORMAT = "rimlight archive"
VERSION = 1
ABOUT, CHECKSUMS = "about.json", "checksums.sha256"
MEMBER = re.compile(
    r"about\.json|checksums\.sha256|records/[a-z][a-z_]{0,60}\.\d{4}\.jsonl"
    r"|(?:photos|strips)/[0-9a-f]{64}\.[a-z0-9]{2,5}"
)
OLDEST_TIME = (1980, 1, 1, 0, 0, 0)  # the first a ZIP can hold
CHUNK = 1 << 20
NO_ARCHIVE = (zipfile.BadZipFile, EOFError, OSError, NotImplementedError, struct.error)
MOST_LINE_BYTES = 512 << 20  # the log's line of one change of 100,000 rows is some 100 MB
HINT = "Nothing was changed. Ask for the archive again, or copy it again from where it came."


class ArchiveRefused(ServiceError):
    """The file is not a whole, unchanged archive that this version understands; it says why."""


class ArchiveWriter:
    """Writes members in the order given; the file appears under its name only when it is whole.

    Use as a context manager: an error inside leaves nothing behind.
    """

    def __init__(self, path: Path) -> None:
        self._path, self._part = path, path.with_name(path.name + ".part")
        self._sums: dict[str, str] = {}

    def __enter__(self) -> ArchiveWriter:
        self._stream = self._part.open("wb")
        self._zip = zipfile.ZipFile(self._stream, "w", zipfile.ZIP_STORED)
        return self

    def __exit__(self, kind: type[BaseException] | None, *_rest: object) -> None:
        try:
            if kind is None:
                listed = "".join(f"{digest}  {name}\n" for name, digest in self._sums.items())
                self._write(CHECKSUMS, [listed.encode()])
                self._zip.close()
                self._stream.flush()
                os.fsync(self._stream.fileno())
                self._stream.close()
                self._part.replace(self._path)
                sync_folder(self._path.absolute().parent)
        finally:
            with contextlib.suppress(OSError, ValueError):  # a full disk is told by what failed first
                self._zip.close()
            with contextlib.suppress(OSError):
                self._stream.close()
            self._part.unlink(missing_ok=True)

    def add(self, name: str, data: bytes | Iterable[bytes]) -> None:
        """Add one member.

        Raises
        ------
        ValueError
            The name is not one an archive may hold, or stands in it already.
        """
        if not MEMBER.fullmatch(name) or name in self._sums or name == CHECKSUMS:
            raise ValueError(f"an archive holds no member {name!r} (or holds it already)")
        self._sums[name] = self._write(name, [data] if isinstance(data, bytes) else data)

    def _write(self, name: str, chunks: Iterable[bytes]) -> str:
        info = zipfile.ZipInfo(name, OLDEST_TIME)
        info.create_system = 3  # rights as Unix writes them, on every platform
        info.external_attr = (stat.S_IFREG | 0o644) << 16
        digest = hashlib.sha256()
        with self._zip.open(info, "w") as member:
            for chunk in chunks:
                digest.update(chunk)
                member.write(chunk)
        return digest.hexdigest()


class Archive:
    """An archive that was read through and found whole.

    Raises
    ------
    ArchiveRefused
        It is damaged, altered, made by a newer version, or holds what an archive may not hold.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        try:
            self._stream: IO[bytes] = path.open("rb")
        except OSError as error:
            raise ArchiveRefused(f"{path.name} cannot be opened ({error.strerror}). {HINT}") from error
        try:
            self._zip = zipfile.ZipFile(self._stream)
            self._check_members()
            self.about = self._read_about()
            self._sums = self._read_sums()
        except (*NO_ARCHIVE, ValueError, RecursionError) as error:
            self.close()
            raise ArchiveRefused(
                f"{path.name} is not a whole archive ({str(error).rstrip('.')}). {HINT}"
            ) from error
        except ArchiveRefused:
            self.close()
            raise

    def __enter__(self) -> Archive:
        return self

    def __exit__(self, *_rest: object) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the file."""
        self._stream.close()

    @property
    def names(self) -> list[str]:
        """Members in their order, without the checksums."""
        return [info.filename for info in self._zip.infolist() if info.filename != CHECKSUMS]

    def verify(self) -> Iterator[str]:
        """Read every member and compare its SHA-256; yields each name once it is found right.

        Raises
        ------
        ArchiveRefused
            A member is not what the checksums say.
        """
        for name in self.names:
            digest = hashlib.sha256()
            try:
                with self._zip.open(name) as member:
                    while chunk := member.read(CHUNK):
                        digest.update(chunk)
            except NO_ARCHIVE as error:
                raise ArchiveRefused(f"{self.path.name}: {name} is damaged. {HINT}") from error
            if digest.hexdigest() != self._sums[name]:
                raise ArchiveRefused(f"{self.path.name}: {name} is not what its checksum says. {HINT}")
            if name.startswith(("photos/", "strips/")) and name[7:71] != digest.hexdigest():
                raise ArchiveRefused(f"{self.path.name}: {name} holds other bytes than its name says. {HINT}")
            yield name

    def read(self, name: str) -> bytes:
        """One member, whole."""
        return self._zip.read(name)

    def rows(self, table: str) -> Iterator[dict[str, Any]]:
        """The rows of one table, in their order; none where the archive has no such table.

        Raises
        ------
        ArchiveRefused
            A line is not a JSON object.
        """
        for name in self.names:
            if not name.startswith(f"records/{table}."):
                continue
            with self._zip.open(name) as member:
                number = 0
                while line := member.readline(MOST_LINE_BYTES):
                    number += 1
                    try:
                        row = json.loads(line)
                    except (ValueError, RecursionError) as error:
                        raise ArchiveRefused(f"{name}, line {number} is no JSON ({error}). {HINT}") from error
                    if not isinstance(row, dict):
                        raise ArchiveRefused(f"{name}, line {number} is no record. {HINT}")
                    yield row

    def _check_members(self) -> None:
        """Names, kinds and sizes, before a byte of any member is read."""
        infos = self._zip.infolist()
        seen: set[str] = set()
        for info in infos:
            if not MEMBER.fullmatch(info.filename) or info.orig_filename != info.filename:
                raise ArchiveRefused(
                    f"{self.path.name} holds {info.filename!r}, which no archive has. {HINT}"
                )
            if info.filename.casefold() in seen:
                raise ArchiveRefused(f"{self.path.name} holds {info.filename} twice. {HINT}")
            seen.add(info.filename.casefold())
            kind = stat.S_IFMT(info.external_attr >> 16)
            if kind not in (0, stat.S_IFREG):
                raise ArchiveRefused(f"{self.path.name}: {info.filename} is a link or folder. {HINT}")
            packed = info.compress_type != zipfile.ZIP_STORED or info.compress_size != info.file_size
            if packed or info.flag_bits & 1:
                raise ArchiveRefused(f"{self.path.name}: {info.filename} is packed or locked. {HINT}")
        # Members that overlap in the file would be read many times over.
        if sum(info.file_size for info in infos) > self.path.stat().st_size:
            raise ArchiveRefused(f"{self.path.name} claims more than it holds. {HINT}")

    def _read_about(self) -> dict[str, Any]:
        if self._zip.namelist()[:1] != [ABOUT]:
            raise ArchiveRefused(f"{self.path.name} is no {FORMAT}: it does not begin with {ABOUT}. {HINT}")
        if self._zip.getinfo(ABOUT).file_size > CHUNK:
            raise ArchiveRefused(f"{self.path.name}: {ABOUT} is far too long. {HINT}")
        about = json.loads(self._zip.read(ABOUT))
        if not isinstance(about, dict) or about.get("format") != FORMAT:
            raise ArchiveRefused(f"{self.path.name} is no {FORMAT}. {HINT}")
        version = about.get("version")
        if not isinstance(version, int) or version < 1:
            raise ArchiveRefused(f"{self.path.name} says version {version!r}. {HINT}")
        if version > VERSION:
            raise ArchiveRefused(
                f"{self.path.name} was made by a newer rimlight (archive version {version}, this one reads "
                f"up to {VERSION}): update rimlight, then try again. Nothing was changed."
            )
        return about

    def _read_sums(self) -> dict[str, str]:
        infos = self._zip.infolist()
        if infos[-1].filename != CHECKSUMS:
            raise ArchiveRefused(f"{self.path.name} does not end with {CHECKSUMS}. {HINT}")
        sums: dict[str, str] = {}
        for line in self._zip.read(CHECKSUMS).decode("ascii").splitlines():
            digest, _, name = line.partition("  ")
            sums[name] = digest
        if set(sums) != set(self.names):
            odd = sorted(set(sums) ^ set(self.names))[0]
            raise ArchiveRefused(f"{self.path.name}: checksums and members differ ({odd}). {HINT}")
        return sums
