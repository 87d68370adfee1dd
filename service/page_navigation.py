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
            PageLink("/import", "Import", "Read a whole folder of photos, then confirm many.", "desk"),
            PageLink(
                "/compare", "Compare", "Two borders, one above the other and laid on each other.", "desk"
            ),
        ),
    ),
    (
        "Register",
        (
            PageLink("/register", "Register", "Every piece and list: search, open, add, correct.", "phone"),
            PageLink("/register/grid", "Grid", "Motif by line by metal, with what is still blank.", "desk"),
            PageLink("/register/timeline", "Timeline", "When motifs and lines were in use.", "desk"),
            PageLink("/register/questions", "Questions", "What clashes, and what would settle it.", "desk"),
            PageLink(
                "/register/order", "Order in time", "The motifs from early to late, and how sure that is."
            ),
            PageLink(
                "/register/overlaps", "Overlaps", "One motif on several lines, gold here, platinum there."
            ),
            PageLink("/register/news", "News", "What rests on one piece of this register."),
            PageLink("/register/changes", "Changes", "What changed, when and by whom, each with its undo."),
        ),
    ),
    (
        "Lists",
        (
            PageLink("/register/wants", "Wants", "What is looked for, and how far each wish is met."),
            PageLink(
                "/register/duplicates", "Duplicates", "Owned pieces that the register cannot tell apart."
            ),
            PageLink("/register/merges", "Recorded twice?", "Pieces whose photos may show one object."),
            PageLink(
                "/register/sets", "Sets and lids", "Lone cups, saucers and lids, and what may go with them."
            ),
            PageLink(
                "/register/numbers", "Numbers and codes", "Rules for decoration numbers and date codes."
            ),
        ),
    ),
    (
        "Paper and files",
        (
            PageLink("/exchange", "Exchange", "Everything out and in again: archives and tables.", "desk"),
            PageLink(
                "/register/print", "Labels and sheets", "A sale label, or a sheet for a talk, to print."
            ),
        ),
    ),
    (
        "This Rimlight",
        (
            PageLink("/devices", "Devices", "Pair a phone, or let one in no more."),
            PageLink("/settings", "Settings", "Where everything lies, what is installed, the limits."),
            PageLink("/backup", "Backup", "Make one now, see which there are, put one back."),
            PageLink("/certificate", "Certificate", "Phones encrypted, and the page open anywhere."),
            PageLink("/help", "Help", "The words, the photo, what it cannot tell, the cautions.", "phone"),
        ),
    ),
)
MORE = PageLink("/more", "More", "All pages.", "phone")


def list_bar() -> tuple[PageLink, ...]:
    """The links of the bar, in order, with the page of all pages last."""
    links: Iterable[PageLink] = (link for _, group in GROUPS for link in group)
    return (*(link for link in links if link.bar in ("phone", "desk")), MORE)
