"""Clients that confirm until their server dies, and what must be found of everything acknowledged to them."""

from __future__ import annotations

import hashlib
import http.client
import json
import secrets
import sqlite3
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from service.files import FileFolder

MOTIFS = ("Quern Leaf", "Tidewrack", "Lanthorn Key", "Marram")


@dataclass
class Asked:
    """One confirmation: what was asked, and the item's id once it was acknowledged."""

    photo_sha256: str
    motif: str
    key: str
    reading_id: str
    item_id: str | None = None
    is_retry: bool = False


class Client:
    """Sends a photo, confirms it, and again, until told to stop; what a kill interrupted is retried first."""

    def __init__(self, port: int, number: int, photo: Callable[[int], bytes]) -> None:
        self._port, self._number, self._photo = port, number, photo
        self._asked: list[Asked] = []
        self._open: Asked | None = None
        self._count = 0

    def forget(self) -> None:
        """The next server has another folder."""
        self._open = None

    def take_asked(self) -> list[Asked]:
        """Everything asked since the last time."""
        taken, self._asked = self._asked, []
        return taken

    def count_answered(self) -> int:
        """How many confirmations were answered since the last time."""
        return len(self._asked)

    def confirm_until(self, stop: threading.Event) -> None:
        """Work until ``stop``."""
        while not stop.is_set():
            connection = http.client.HTTPConnection("127.0.0.1", self._port, timeout=60)
            try:
                while not stop.is_set():
                    self._confirm_one(connection)
            except (OSError, http.client.HTTPException):
                time.sleep(0.005)
            finally:
                connection.close()

    def _confirm_one(self, connection: http.client.HTTPConnection) -> None:
        if self._open is None:
            self._count += 1
            data = self._photo(self._count * 10 + self._number)
            reading = _send_photo(connection, data)
            motif = MOTIFS[self._count % len(MOTIFS)]
            self._open = Asked(hashlib.sha256(data).hexdigest(), motif, secrets.token_hex(8), reading)
        else:
            self._open.is_retry = True
        asked = self._open
        body = json.dumps({"motif": asked.motif, "note": asked.key}).encode()
        headers = {"Content-Type": "application/json", "Idempotency-Key": asked.key}
        connection.request("POST", f"/api/readings/{asked.reading_id}/confirmation", body, headers)
        answer = connection.getresponse()
        status, content = answer.status, json.loads(answer.read())
        self._open = None
        if status == 201:
            asked.item_id = content["id"]
        self._asked.append(asked)
        if status != 201:
            raise http.client.HTTPException(f"{status}: {content}")


def _send_photo(connection: http.client.HTTPConnection, data: bytes) -> str:
    mark = secrets.token_hex(16)
    head = f'--{mark}\r\nContent-Disposition: form-data; name="photo"; filename="a.jpg"\r\n\r\n'
    body = head.encode() + data + f"\r\n--{mark}--\r\n".encode()
    connection.request(
        "POST", "/api/readings", body, {"Content-Type": f"multipart/form-data; boundary={mark}"}
    )
    answer = connection.getresponse()
    content = json.loads(answer.read())
    if answer.status != 201:
        raise http.client.HTTPException(f"{answer.status}: {content}")
    return str(content["id"])


def count_lost(folder: Path, answered: list[Asked]) -> list[str]:
    """What is missing or does not agree of each acknowledged item: row, labels, photo, strip, vectors."""
    connection = sqlite3.connect(folder / "rimlight.sqlite3")
    try:
        said = [(asked, _find_fault(connection, folder, asked)) for asked in answered]
    finally:
        connection.close()
    return [f"item {asked.item_id}: {fault}" for asked, fault in said if fault is not None]


def _find_fault(connection: sqlite3.Connection, folder: Path, asked: Asked) -> str | None:
    row = connection.execute(
        "SELECT i.reading_id, m.name, i.note, r.photo_sha256, p.file, r.strip_file, r.recipe_id "
        "FROM gallery_item i JOIN motif m ON m.id = i.motif_id JOIN reading r ON r.id = i.reading_id "
        "JOIN photo p ON p.sha256 = r.photo_sha256 WHERE i.id = ? AND i.removed_at IS NULL",
        (asked.item_id,),
    ).fetchone()
    if row is None:
        return "no row"
    if tuple(row[:4]) != (asked.reading_id, asked.motif, asked.key, asked.photo_sha256):
        return f"another row: {row[:4]}"
    for part, name in (("photos", row[4]), ("strips", row[5])):
        if name is not None and FileFolder(folder / part).read(name) is None:
            return f"{name} of {part} is missing or damaged"
    return _find_vector_fault(connection, asked, row[6])


def _find_vector_fault(connection: sqlite3.Connection, asked: Asked, recipe_id: str | None) -> str | None:
    from service.trials.stand_in import RECIPE_ID, make_vectors

    rows = connection.execute(
        "SELECT recipe_id, numbers FROM vector WHERE reading_id = ? ORDER BY ordinal", (asked.reading_id,)
    ).fetchall()
    if any(recipe != recipe_id for recipe, _ in rows):
        return "vectors of another recipe"
    if recipe_id == RECIPE_ID and [n for _, n in rows] != [
        v.tobytes() for v in make_vectors(asked.photo_sha256)
    ]:
        return "vectors of another photo"
    if recipe_id is not None and not rows:
        return "no vectors"
    return None


def find_double(folder: Path) -> list[str]:
    """Confirmations stored twice: each carries its own key as a note."""
    connection = sqlite3.connect(folder / "rimlight.sqlite3")
    try:
        rows = connection.execute(
            "SELECT note FROM gallery_item GROUP BY note HAVING count(*) > 1"
        ).fetchall()
    finally:
        connection.close()
    return [f"key {note} is stored more than once" for (note,) in rows]
