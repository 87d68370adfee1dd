"""Parameters that many routes take."""

from __future__ import annotations

from typing import Annotated

from fastapi import Header, Path

Key = Annotated[
    str | None,
    Header(
        alias="Idempotency-Key",
        min_length=1,
        max_length=200,
        pattern=r"^[\x21-\x7e]+$",
        description="the same key and body give the same answer once, so a phone may retry",
    ),
]
Id = Annotated[str, Path(max_length=100)]
