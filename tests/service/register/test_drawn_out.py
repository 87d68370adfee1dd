"""What search looks at is the same, drawn out at the change or drawn anew from the records."""

from __future__ import annotations

from pathlib import Path

import sqlalchemy as sa

from service.register.demo_register import load_demo
from service.register.drawn_out import draw_all_out
from service.register.tables import text
from service.store import open_store


def test_the_demo_drawn_anew_is_as_it_was(tmp_path: Path) -> None:
    store = open_store(tmp_path / "data")
    ordered = sa.select(text).order_by(text.c.record_id)
    with store.writing() as tx:
        load_demo(tx, "test")
        before = tx.execute(ordered).all()
        draw_all_out(tx)
        assert tx.execute(ordered).all() == before
    store.close()
    assert len(before) > 200
