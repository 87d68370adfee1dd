"""The register for others: as museum records, as linked data, as photos that say what they show."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Literal

import sqlalchemy as sa

from service import tables
from service.errors import StoreError
from service.exchange.lido import write_lido
from service.exchange.linked_data import make_document
from service.exchange.photo_fields import write_fields
from service.exchange.whole_pieces import list_pieces
from service.files import write_synced
from service.store import Store

Form = Literal["lido", "json-ld"]
Progress = Callable[[Iterable[str], int, str], Iterable[str]]
NOT_IN_NAMES = re.compile(r"[^\w.-]+")


def write_records(store: Store, path: Path, form: Form, source: str) -> int:
    """Write all pieces as museum records or linked data; returns the bytes written.

    Raises
    ------
    StoreError
        The file cannot be written.
    """
    part = path.with_name(path.name + ".part")
    try:
        with store.looking() as tx:
            if form == "lido":
                with part.open("wb") as out:
                    out.writelines(write_lido(list_pieces(tx), source))
            else:
                document = make_document(list_pieces(tx), source)
                write_synced(part, json.dumps(document, ensure_ascii=False, indent=1).encode())
        part.replace(path)
    except OSError as error:
        raise StoreError(f"{path} cannot be written ({error.strerror}): choose another place.") from error
    finally:
        part.unlink(missing_ok=True)
    return path.stat().st_size


def write_photos(store: Store, folder: Path, source: str, progress: Progress) -> tuple[int, int]:
    """Write each piece's photos with IPTC fields; returns how many, and how many went without fields.

    Raises
    ------
    StoreError
        A stored photo is missing, or the folder cannot be written.
    """
    written = plain = 0
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with store.looking() as tx:
            pieces = list(list_pieces(tx))
            files = _find_files(tx)
        by_id = {piece["id"]: piece for piece in pieces}
        for piece_id in progress(by_id, len(by_id), "photos"):
            piece = by_id[piece_id]
            for place, photo in enumerate(piece["photos"], start=1):
                name = files[photo["reading_id"]]
                data = store.photos.read(name)
                if data is None:
                    raise StoreError(f"The stored photo {name} is missing or damaged: run `rimlight check`.")
                with_fields = write_fields(data, piece, source)
                # The id keeps apart numbers that look the same once unsafe letters are gone.
                number = NOT_IN_NAMES.sub("_", piece["number"])[:60]
                target = folder / f"{number}-{piece_id[:8]}-{place}.{name.rpartition('.')[2]}"
                target.write_bytes(data if with_fields is None else with_fields)
                written, plain = written + 1, plain + (with_fields is None)
    except OSError as error:
        raise StoreError(f"{folder} cannot be written ({error.strerror}): choose another place.") from error
    return written, plain


def _find_files(tx: sa.Connection) -> dict[str, str]:
    """Photo file of each reading."""
    joined = sa.join(tables.reading, tables.photo)
    wanted = sa.select(tables.reading.c.id, tables.photo.c.file).select_from(joined)
    return {reading: file for reading, file in tx.execute(wanted)}
