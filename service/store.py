"""The store: one SQLite database and content-addressed files in one data folder.

With ``items``, ``ledger`` and ``migrations`` it is the only place that speaks SQL. A photo is down as a
synced file before the transaction that names it commits, so a row never points at nothing.
"""

from __future__ import annotations

import json
import secrets
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import sqlalchemy as sa

from service import tables
from service.database import connect, explain_database_error
from service.errors import NotFound, StoreError
from service.files import LEFTOVER_AGE_S, FileFolder, sync_folder, write_synced
from service.folder_lock import FolderUse
from service.kept import Crop, NewReading
from service.migrations import MIGRATIONS
from service.quarantine import Quarantine

DATABASE_NAME = "rimlight.sqlite3"
STARTED = "gallery started"  # the folder fact that says it has its first gallery, the demo's or none


def now() -> str:
    """The time as ISO 8601 in UTC."""
    return datetime.now(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


class Store:
    """An open data folder. Safe to share between threads and beside other processes."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._use = FolderUse(folder)
        self.photos = FileFolder(folder / "photos")
        self.strips = FileFolder(folder / "strips")
        self.derived = folder / "derived"
        self.quarantine = Quarantine(folder / "quarantine")
        self._engine = connect(folder / DATABASE_NAME)

    def close(self) -> None:
        """Let go of the database and the folder."""
        self._engine.dispose()
        self._use.release()

    @contextmanager
    def writing(self) -> Iterator[sa.Connection]:
        """One transaction that no other writer overlaps; nothing is stored unless it ends well."""
        with self._translated(), self._engine.connect() as connection:
            connection = connection.execution_options(writes=True)
            with connection.begin():
                yield connection

    @contextmanager
    def looking(self) -> Iterator[sa.Connection]:
        """One consistent view."""
        with self._translated(), self._engine.connect() as connection, connection.begin():
            yield connection

    @contextmanager
    def _translated(self) -> Iterator[None]:
        try:
            yield
        except sa.exc.IntegrityError:
            raise
        except (sa.exc.DatabaseError, sa.exc.TimeoutError) as error:
            raise explain_database_error(self.folder, error) from error

    # Files first, then rows.

    def keep_files(self, new: NewReading) -> tuple[str, str | None]:
        """Put the sealed photo and the strip safely down; returns their names."""
        photo = self.photos.keep(new.sealed, new.suffix)
        strip = self.strips.keep(new.strip_png, "png") if new.strip_png is not None else None
        return photo, strip

    def insert_reading(self, tx: sa.Connection, new: NewReading, files: tuple[str, str | None]) -> None:
        """Add the photo, if it is new, the reading and its vectors."""
        facts, photo_file, at = new.facts, files[0], now()
        sha256 = facts["photo"]["sha256"]
        known = tx.execute(sa.select(tables.photo.c.file).where(tables.photo.c.sha256 == sha256)).first()
        if known is None:
            tx.execute(
                sa.insert(tables.photo).values(
                    sha256=sha256,
                    file=photo_file,
                    bytes=new.photo_bytes,
                    width=facts["photo"]["width"],
                    height=facts["photo"]["height"],
                    taken_at=facts["photo"]["taken_at"],
                    added_at=at,
                )
            )
        tx.execute(
            sa.insert(tables.reading).values(
                id=facts["id"],
                photo_sha256=sha256,
                facts=json.dumps(facts, separators=(",", ":")),
                strip_file=files[1],
                recipe_id=new.recipe_id,
                neutral=new.neutral,
                trace=new.trace,
                source=new.source,
                made_at=at,
            )
        )
        self.insert_vectors(tx, facts["id"], new.recipe_id, new.crops)

    def insert_vectors(
        self, tx: sa.Connection, reading_id: str, recipe_id: str | None, crops: Sequence[Crop]
    ) -> None:
        """Add the vectors of one reading, each with the recipe that made it."""
        rows = [
            {
                "reading_id": reading_id,
                "ordinal": ordinal,
                "recipe_id": recipe_id,
                **dict(zip(("x0", "y0", "x1", "y1"), crop.rect, strict=True)),
                "phase": crop.phase,
                "mirrored": crop.mirrored,
                "weight": crop.weight,
                "numbers": crop.numbers,
            }
            for ordinal, crop in enumerate(crops)
        ]
        if rows:
            tx.execute(sa.insert(tables.vector), rows)

    def replace_vectors(
        self, tx: sa.Connection, reading_id: str, recipe_id: str, crops: Sequence[Crop]
    ) -> None:
        """Swap stale vectors of a reading for those of today's recipe."""
        tx.execute(sa.delete(tables.vector).where(tables.vector.c.reading_id == reading_id))
        self.insert_vectors(tx, reading_id, recipe_id, crops)
        tx.execute(
            sa.update(tables.reading).where(tables.reading.c.id == reading_id).values(recipe_id=recipe_id)
        )

    def find_reading(self, tx: sa.Connection, reading_id: str) -> sa.Row[Any] | None:
        """The reading's row with the name of its photo file, or None."""
        both = sa.join(tables.reading, tables.photo)
        wanted = sa.select(tables.reading, tables.photo.c.file.label("photo_file")).select_from(both)
        return tx.execute(wanted.where(tables.reading.c.id == reading_id)).first()

    def require_photo(self, reading: sa.Row[Any]) -> None:
        """Go on only where the photo of a reading is down and whole: nothing is confirmed without it.

        Raises
        ------
        NotFound
            The file is missing or damaged.
        """
        if self.photos.read(reading.photo_file) is None:
            raise NotFound("The stored photo of this reading is missing or damaged: send the photo again.")

    def list_recent_facts(self, tx: sa.Connection, limit: int) -> list[str]:
        """Facts of the latest readings of photos sent in; those of the demo gallery are left out."""
        reading = tables.reading
        wanted = sa.select(reading.c.facts).where(reading.c.source == "photo")
        return list(tx.execute(wanted.order_by(reading.c.made_at.desc()).limit(limit)).scalars())

    def set_strip(self, tx: sa.Connection, reading_id: str, strip_file: str) -> None:
        """Remember a strip made again."""
        tx.execute(
            sa.update(tables.reading).where(tables.reading.c.id == reading_id).values(strip_file=strip_file)
        )

    def count_vectors(self, tx: sa.Connection, reading_id: str) -> int:
        """How many vectors a reading has."""
        wanted = sa.select(sa.func.count()).where(tables.vector.c.reading_id == reading_id)
        return int(tx.execute(wanted).scalar_one())

    def find_vectors(self, tx: sa.Connection, reading_id: str, recipe_id: str) -> list[tuple[float, bytes]]:
        """Weight and numbers of each of a reading's vectors that this recipe made."""
        vector = tables.vector
        wanted = sa.select(vector.c.weight, vector.c.numbers).where(
            vector.c.reading_id == reading_id, vector.c.recipe_id == recipe_id
        )
        return [(float(weight), numbers) for weight, numbers in tx.execute(wanted.order_by(vector.c.ordinal))]

    def keep_derived(self, path: Path, picture: bytes) -> None:
        """Cache a picture that can be made again; a full disk only means that it is not cached."""
        part = path.with_suffix(f".{secrets.token_hex(4)}.part")
        try:
            path.parent.mkdir(exist_ok=True)
            write_synced(part, picture)  # else a power cut could leave an empty file under the final name
            part.replace(path)
        except OSError:
            part.unlink(missing_ok=True)

    # Facts about the folder itself.

    def folder_fact(self, tx: sa.Connection, name: str) -> str | None:
        """A remembered fact about the data folder."""
        fact = tables.folder_fact
        return tx.execute(sa.select(fact.c.value).where(fact.c.name == name)).scalar()

    def set_folder_fact(self, tx: sa.Connection, name: str, value: str) -> None:
        """Remember a fact about the data folder."""
        tx.execute(sa.delete(tables.folder_fact).where(tables.folder_fact.c.name == name))
        tx.execute(sa.insert(tables.folder_fact).values(name=name, value=value))

    def clear_folder_fact(self, tx: sa.Connection, name: str) -> None:
        """Forget a fact about the data folder."""
        tx.execute(sa.delete(tables.folder_fact).where(tables.folder_fact.c.name == name))

    def set_aside_leftovers(self) -> list[str]:
        """Quarantine files that a killed process left half-written or unnamed; returns their names."""
        with self.leftovers() as found:
            return [self.quarantine.take(path).name for path in found]

    @contextmanager
    def leftovers(self) -> Iterator[list[Path]]:
        """Files that no row names; where another process has the folder open, young ones may be its work."""
        with self._use.alone() as alone:
            youngest_s = 0.0 if alone else LEFTOVER_AGE_S
            with self.looking() as tx:
                photos = list(tx.execute(sa.select(tables.photo.c.file)).scalars())
                strips = [n for n in tx.execute(sa.select(tables.reading.c.strip_file)).scalars() if n]
            found = self.photos.find_leftovers(photos, youngest_s)
            yield found + self.strips.find_leftovers(strips, youngest_s)


def open_store(folder: Path) -> Store:
    """Open or make the store and bring it to today's shape.

    Raises
    ------
    StoreError
        The folder cannot be made or written, or a newer version of the program wrote it.
    """
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)  # photos of a home are nobody else's business
    except OSError as error:
        raise StoreError(f"The data folder {folder} cannot be made ({error.strerror}).") from error
    store = Store(folder)
    try:
        _migrate(store)
    except BaseException:
        store.close()
        raise
    return store


def _migrate(store: Store) -> None:
    """Apply the steps this database has not seen, all in one transaction."""
    with store.looking() as tx:
        if _applied(tx) == set(MIGRATIONS):
            return
    with store.writing() as tx:
        tables.applied_migration.create(tx, checkfirst=True)
        applied = _applied(tx)
        if unknown := applied - set(MIGRATIONS):
            raise StoreError(
                f"The gallery in {store.folder} was written by a newer version of rimlight "
                f"(step {max(unknown)}, this one knows {max(MIGRATIONS)}): update rimlight."
            )
        for number in sorted(set(MIGRATIONS) - applied):
            MIGRATIONS[number](tx)
            tx.execute(sa.insert(tables.applied_migration).values(number=number, applied_at=now()))
    sync_folder(store.folder)  # the database file itself is a new name in it
    sync_folder(store.folder.parent)


def _applied(tx: sa.Connection) -> set[int]:
    if not sa.inspect(tx).has_table(tables.applied_migration.name):
        return set()
    return set(tx.execute(sa.select(tables.applied_migration.c.number)).scalars())
