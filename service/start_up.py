"""What a server does before it serves: sets aside what a dead one left, and tells what matters."""

from __future__ import annotations

from service.check import note_clock
from service.errors import ServiceError
from service.store import Store


def recover(store: Store, ended_badly: bool) -> list[str]:
    """Bring the folder in order; returns lines for the terminal.

    After a server that did not end by itself the database is looked through page by page as well.
    """
    said = [f"set aside a half-written file: {name}" for name in store.set_aside_leftovers()]
    if ended_badly:
        said += _look_through(store)
    return said + note_clock(store)


def _look_through(store: Store) -> list[str]:
    try:
        with store.looking() as tx:
            found = [str(line) for line in tx.exec_driver_sql("PRAGMA quick_check(3)").scalars()]
    except ServiceError as error:
        return [str(error)]
    if found == ["ok"]:
        return []
    return [f"the gallery's database is damaged ({found[0]}): stop, and run `rimlight check --repair`."]
