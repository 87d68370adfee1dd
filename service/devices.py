"""Paired devices: codes that pair them, tokens that let them in, what each may use; the SQL about them."""

from __future__ import annotations

import hmac
import secrets
import unicodedata
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

import sqlalchemy as sa

from service.allowance import Allowance
from service.caller import Caller
from service.errors import LabelError, NotAllowed, NotFound, TooMany
from service.pairing_code import CODE_LENGTH, fold_code, hash_secret, make_code, make_token
from service.store import Store, now

CODE_LIFE = timedelta(minutes=10)  # long enough to walk to the phone, too short to guess
MOST_CODES = 4  # valid at the same time; the oldest ends first
NAME_LENGTH = 60
# Guesses at a code: a person mistypes a few times; all addresses together stay far from 30 ** 8.
TRIES, TRIES_PER_S = 5, 5 / 60
TRIES_OF_ALL, TRIES_OF_ALL_PER_S = 30, 30 / 60
# A gallery page shows 48 pictures; ten a second leaves a person browsing unhindered.
REQUESTS, REQUESTS_PER_S = 400, 10.0
# A photo takes about a second to read here; a shelf photographed in one go is some forty.
PHOTOS, PHOTOS_PER_S = 40, 1 / 3
PHOTOS_A_DAY, BYTES_A_DAY = 1_000, 4_000_000_000
REVOKED_FOR = timedelta(hours=1)  # so long a revoking can be taken back
SEEN_EVERY = timedelta(minutes=10)  # how exact "last seen" is; saves a write with every request

metadata = sa.MetaData()
device = sa.Table(
    "device",
    metadata,
    sa.Column("id", sa.Text, primary_key=True),
    sa.Column("name", sa.Text),
    sa.Column("key", sa.Text),
    sa.Column("token_sha256", sa.Text),
    sa.Column("is_owner", sa.Boolean),
    sa.Column("paired_at", sa.Text),
    sa.Column("seen_at", sa.Text),
    sa.Column("revoked_at", sa.Text),
)
pairing_code = sa.Table(
    "pairing_code",
    metadata,
    sa.Column("code_sha256", sa.Text, primary_key=True),
    sa.Column("is_owner", sa.Boolean),
    sa.Column("made_at", sa.Text),
    sa.Column("ends_at", sa.Text),
)
device_use = sa.Table(
    "device_use",
    metadata,
    sa.Column("device_id", sa.Text, primary_key=True),
    sa.Column("day", sa.Text, primary_key=True),
    sa.Column("photos", sa.Integer),
    sa.Column("bytes", sa.Integer),
)


@dataclass(frozen=True)
class Code:
    """A one-time code as it is shown, and when it ends (ISO 8601, UTC)."""

    code: str
    ends_at: str


class Devices:
    """The paired devices of one store. Codes and devices are shared with other processes by the store."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self._tries = Allowance(TRIES, TRIES_PER_S)
        self._tries_of_all = Allowance(TRIES_OF_ALL, TRIES_OF_ALL_PER_S)
        self._requests = Allowance(REQUESTS, REQUESTS_PER_S)
        self._photos = Allowance(PHOTOS, PHOTOS_PER_S)

    @property
    def store(self) -> Store:
        """The store whose devices these are."""
        return self._store

    def make_code(self, is_owner: bool = False) -> Code:
        """A code that pairs one device within ten minutes; with ``is_owner`` one with the owner's rights."""
        code, at = make_code(), now()
        ends_at = _later(at, CODE_LIFE)
        with self._store.writing() as tx:
            tx.execute(sa.delete(pairing_code).where(pairing_code.c.ends_at < at))
            newest = sa.select(pairing_code.c.code_sha256).order_by(pairing_code.c.made_at.desc())
            keep = list(tx.execute(newest.limit(MOST_CODES - 1)).scalars())
            tx.execute(sa.delete(pairing_code).where(pairing_code.c.code_sha256.not_in(keep)))
            row = {"code_sha256": hash_secret(fold_code(code)), "is_owner": is_owner}
            tx.execute(sa.insert(pairing_code).values(row | {"made_at": at, "ends_at": ends_at}))
        return Code(code, ends_at)

    def pair(self, code: str, name: str, address: str) -> tuple[dict[str, Any], str]:
        """Spend a code; returns the new device and its token, which is not kept and not shown again.

        Raises
        ------
        TooMany
            Too many wrong codes came from ``address``, or from all together.
        NotAllowed
            The code is wrong, used or too old; which of them is not told.
        LabelError
            The name cannot be used.
        """
        wait_s = self._tries.take(address) or self._tries_of_all.take("all")
        if wait_s:
            raise TooMany(f"Too many codes were tried: wait {wait_s} seconds and try again.", wait_s)
        shown = _check_name(name)
        with self._store.writing() as tx:
            is_owner = _spend_code(tx, code)
            if is_owner is None:
                raise NotAllowed(
                    "This code is wrong, used or older than ten minutes: get a new one with "
                    "`rimlight devices pair` or on the Devices page of the machine that runs Rimlight."
                )
            device_id = secrets.token_hex(8)
            token, token_sha256 = make_token(device_id)
            shown = _free_name(tx, shown)
            values = {"id": device_id, "name": shown, "key": _fold(shown), "token_sha256": token_sha256}
            tx.execute(sa.insert(device).values(values | {"is_owner": is_owner, "paired_at": now()}))
            return _device_json(tx.execute(sa.select(device).where(device.c.id == device_id)).one()), token

    def find_caller(self, token: str | None) -> Caller | None:
        """Whose token this is; None for a wrong or revoked one."""
        if not token or not token.isascii():
            return None
        with self._store.looking() as tx:
            row = tx.execute(sa.select(device).where(device.c.id == token.partition(".")[0])).first()
        kept = row.token_sha256 if row is not None else ""
        same = hmac.compare_digest(kept, hash_secret(token))
        if row is None or not same or row.revoked_at is not None:
            return None
        return Caller(row.id, row.name, bool(row.is_owner))

    def list_devices(self) -> list[dict[str, Any]]:
        """The devices that are let in, the first paired first."""
        wanted = sa.select(device).where(device.c.revoked_at.is_(None)).order_by(device.c.paired_at)
        with self._store.looking() as tx:
            return [_device_json(row) for row in tx.execute(wanted)]

    def revoke(self, name: str) -> dict[str, Any]:
        """Let a device, by name or id, in no more; from this moment on.

        Raises
        ------
        NotFound
            No device of that name is paired.
        """
        live = device.c.revoked_at.is_(None)
        with self._store.writing() as tx:
            wanted = sa.select(device).where(live, sa.or_(device.c.id == name, device.c.key == _fold(name)))
            row = tx.execute(wanted).first()
            if row is None:
                raise NotFound(f"No device named {name!r} is paired: see `rimlight devices`.")
            tx.execute(sa.update(device).where(device.c.id == row.id).values(revoked_at=now()))
        return _device_json(row)

    def let_in_again(self, device_id: str) -> dict[str, Any]:
        """Take a revoking back within the hour; its token is good again. Its name may have a number now.

        Raises
        ------
        NotFound
            No device of that id was revoked within the hour.
        """
        with self._store.writing() as tx:
            recent = device.c.revoked_at >= _later(now(), -REVOKED_FOR)
            row = tx.execute(sa.select(device).where(device.c.id == device_id, recent)).first()
            if row is None:
                raise NotFound("This device was not revoked within the last hour: pair it again.")
            name = _free_name(tx, row.name)
            values = {"revoked_at": None, "name": name, "key": _fold(name)}
            tx.execute(sa.update(device).where(device.c.id == device_id).values(values))
            return _device_json(tx.execute(sa.select(device).where(device.c.id == device_id)).one())

    def charge(self, device_id: str, upload_bytes: int | None) -> None:
        """Count a request, and the photo that comes with it, against the device's share.

        Raises
        ------
        TooMany
            The share is used up for now.
        """
        wait_s = self._requests.take(device_id)
        if not wait_s and upload_bytes is not None:
            wait_s = self._photos.take(device_id)
        if wait_s:
            raise TooMany(f"This device asks too fast: wait {wait_s} seconds.", wait_s)
        if upload_bytes is not None:
            self._count_upload(device_id, upload_bytes)

    def _count_upload(self, device_id: str, size: int) -> None:
        day, mine = now()[:10], device_use.c.device_id == device_id
        with self._store.writing() as tx:
            row = tx.execute(sa.select(device_use).where(mine, device_use.c.day == day)).first()
            photos, used = (row.photos, row.bytes) if row is not None else (0, 0)
            if photos + 1 > PHOTOS_A_DAY or used + size > BYTES_A_DAY:
                raise TooMany(
                    f"This device has sent its share of today ({photos} photos, {used // 10**6} MB): go on "
                    "tomorrow, or add photos on the machine that runs Rimlight.",
                    3600,
                )
            tx.execute(sa.delete(device_use).where(mine))  # earlier days are of no more use
            values = {"device_id": device_id, "day": day, "photos": photos + 1, "bytes": used + size}
            tx.execute(sa.insert(device_use).values(values))

    def note_seen(self, device_id: str) -> None:
        """Remember that the device was here, to within ten minutes."""
        at = now()
        with self._store.looking() as tx:
            seen = tx.execute(sa.select(device.c.seen_at).where(device.c.id == device_id)).scalar()
        if seen is None or not seen <= at < _later(seen, SEEN_EVERY):
            with self._store.writing() as tx:
                tx.execute(sa.update(device).where(device.c.id == device_id).values(seen_at=at))


def _spend_code(tx: sa.Connection, typed: str) -> bool | None:
    """Whether the code gives the owner's rights, or None for a wrong one. A right one is gone after it."""
    at, given, found = now(), hash_secret(fold_code(typed)), None
    # All are compared, each in constant time: how long it takes tells nothing.
    for row in tx.execute(sa.select(pairing_code)):
        if hmac.compare_digest(row.code_sha256, given) and row.made_at <= at < row.ends_at:
            found = row
    if found is None or len(fold_code(typed)) != CODE_LENGTH:
        return None
    tx.execute(sa.delete(pairing_code).where(pairing_code.c.code_sha256 == found.code_sha256))
    return bool(found.is_owner)


def _later(at: str, by: timedelta) -> str:
    moved = datetime.fromisoformat(at) + by
    return moved.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def _fold(name: str) -> str:
    return unicodedata.normalize("NFKC", name).casefold().strip()


def _check_name(name: str) -> str:
    """The name on one line, in bounds."""
    shown = " ".join(unicodedata.normalize("NFC", name).split())
    if not shown or len(shown) > NAME_LENGTH or not shown.isprintable():
        raise LabelError(
            f"name: expected 1 to {NAME_LENGTH} printable characters, for example 'Kitchen phone'."
        )
    return shown


def _free_name(tx: sa.Connection, name: str) -> str:
    """The name, with a number behind it where a paired device has it already."""
    taken = set(tx.execute(sa.select(device.c.key).where(device.c.revoked_at.is_(None))).scalars())
    number, free = 1, name
    while _fold(free) in taken:
        number += 1
        free = f"{name} {number}"
    return free


def _device_json(row: sa.Row[Any]) -> dict[str, Any]:
    return {
        "id": row.id,
        "name": row.name,
        "is_owner": bool(row.is_owner),
        "paired_at": row.paired_at,
        "seen_at": row.seen_at,
    }
