"""The one list of pages that every page leads to; base.html draws its bar from it, /more shows all of it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass


@dataclass(frozen=True)
class PageLink:
    """One page of the list.

    Attributes
    ----------
    address, word : where it is and what the link says.
    said : what one finds there, for the page that lists all.
    bar : "phone" stands in the bar always, "desk" on wide screens too, "more" on the page of all pages only.
    """

    address: str
    word: str
    said: str
    bar: str = "more"


GROUPS: tuple[tuple[str, tuple[PageLink, ...]], ...] = (
    (
        "Photos",
        (
            PageLink("/", "Read", "Take or choose a photo and have its rim read.", "phone"),
            PageLink("/gallery", "Gallery", "The labelled photos that readings are compared with.", "phone"),
        ),
    ),
    (
        "This Rimlight",
        (
            PageLink("/devices", "Devices", "Pair a phone, or let one in no more."),
            PageLink("/help", "Help", "The words, the photo, what it cannot tell, the cautions.", "phone"),
        ),
    ),
)
MORE = PageLink("/more", "More", "All pages.", "phone")


def list_bar() -> tuple[PageLink, ...]:
    """The links of the bar, in order, with the page of all pages last."""
    links: Iterable[PageLink] = (link for _, group in GROUPS for link in group)
    return (*(link for link in links if link.bar in ("phone", "desk")), MORE)
