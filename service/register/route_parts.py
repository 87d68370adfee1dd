"""What the register's routes share: parameters, and the key of a retry."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import Body, Path, Query

from service.caller import current_caller
from service.retries import Retry, fingerprint

Page = Annotated[int, Query(ge=1, le=1_000_000)]
Kind = Annotated[str, Path(max_length=40, description="piece, decoration, mark, maker, line, motif …")]
Which = Annotated[str, Path(max_length=200, description="the number, name, alias or id")]
Fields = Annotated[dict[str, Any], Body(description="fields of the record; names may stand for ids")]
Private = Annotated[bool, Query(description="with price, seller and place; for the owner")]
NewNames = Annotated[bool, Query(description="let unknown motifs, lines, makers join the lists")]
Text = Annotated[str | None, Query(max_length=200)]


def make_retry(key: str | None, *parts: Any) -> Retry | None:
    """The key with a fingerprint of everything that it came with."""
    is_owner = current_caller().is_owner  # what the owner was answered, private fields too, is for no other
    return (
        None
        if key is None
        else Retry(key, fingerprint("register", *(repr(part) for part in (is_owner, *parts))))
    )
