"""What a check of a data folder found, what was done about it, and how that is said."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from typing import Any

SHOWN_OF_A_KIND = 8

Progress = Callable[[list[Any], str], Iterable[Any]]
"""Wraps a list to show how far a loop over it is, with a line saying what is done."""


@dataclass(frozen=True)
class Finding:
    """One thing that is not as it should be.

    ``kind`` names the sort of trouble, ``where`` the row or file. ``mend`` does what is safe about it and
    returns what was done; None where only a person or a backup can help.
    """

    kind: str
    where: str
    text: str
    mend: Callable[[], str] | None = field(default=None, compare=False)


@dataclass
class Report:
    """A whole check: how much was looked at, what was found, and what was done about it."""

    counts: dict[str, int] = field(default_factory=dict)
    findings: list[Finding] = field(default_factory=list)
    mended: list[tuple[Finding, str]] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)

    @property
    def is_well(self) -> bool:
        """Whether nothing is left to do."""
        return not self.findings

    def as_json(self) -> dict[str, Any]:
        """For programs."""
        found = [{"kind": f.kind, "where": f.where, "text": f.text} for f in self.findings]
        mended = [{"kind": f.kind, "where": f.where, "done": done} for f, done in self.mended]
        return {
            "well": self.is_well,
            "counts": self.counts,
            "findings": found,
            "mended": mended,
            "notes": self.notes,
        }

    def as_lines(self) -> list[str]:
        """For people."""
        looked = ", ".join(f"{count} {what}" for what, count in self.counts.items())
        lines = [f"Checked {looked}."]
        lines += _grouped([(f.kind, f"{f.where}: {done}") for f, done in self.mended], "mended")
        lines += _grouped([(f.kind, f"{f.where}: {f.text}") for f in self.findings], "found")
        lines += [f"Note: {note}" for note in self.notes]
        if self.is_well:
            lines.append("All is well." if not self.mended else "All is well again.")
        elif any(f.mend is not None for f in self.findings):
            lines.append("`rimlight check --repair` does what is safe: it sets aside, it never deletes.")
        else:
            lines.append("What is left needs a backup or your decision; nothing of it was touched.")
        return lines


def _grouped(said: list[tuple[str, str]], word: str) -> list[str]:
    """Lines by kind, the first few of each."""
    lines = []
    for kind, count in Counter(kind for kind, _ in said).items():
        lines.append(f"{count} {word}: {kind}")
        of_kind = [text for other, text in said if other == kind]
        lines += [f"  {text}" for text in of_kind[:SHOWN_OF_A_KIND]]
        if count > SHOWN_OF_A_KIND:
            lines.append(f"  … and {count - SHOWN_OF_A_KIND} more")
    return lines
