"""Words that a label or a sheet must not use, since no photo and no register can show what they claim."""

from __future__ import annotations

import re

# What cannot be shown from a photo or a register. Sources: appraisal standards for value, food codes for
# safety, and plain logic for "only" and "first": a register knows its own pieces.
_CLAIMS: tuple[tuple[tuple[str, ...], str], ...] = (
    (
        ("rare", "rarest", "rarity", "scarce", "uncommon", "hard to find", "sought[- ]after"),
        "no register shows how many there are",
    ),
    (
        ("unique", "only (?:one|known|example)", "one of a kind", "first(?: ever| known| example)?"),
        "a register knows its own pieces",
    ),
    (
        ("authentic(?:ated)?", "genuine", "guaranteed", "certified", "original gilding"),
        "a visual opinion is no authentication",
    ),
    (
        ("valuable", "worth", "valued at", "investment", "priceless", "estimate[ds]?", "bargain"),
        "an opinion of value is an appraisal",
    ),
    (
        ("perfect", "mint", "flawless", "as new", "unrestored", "undamaged"),
        "name defects by kind, place and size",
    ),
    (
        ("(?:solid|real|pure) (?:gold|platinum)", r"[0-9]+\s*(?:carat|karat|ct|kt)"),
        "nobody assayed the trim",
    ),
    (
        (
            "(?:food|microwave|dishwasher|oven|child)[- ]?(?:safe|proof)",
            "safe (?:for|to|in) (?:the )?(?:food|eat|use|children|microwave|dishwasher)",
            "(?:lead|cadmium)[- ]free",
            "non[- ]?toxic",
        ),
        "no piece is cleared for use by looking at it",
    ),
)
CLAIMS = tuple((re.compile(rf"\b(?:{'|'.join(words)})\b", re.IGNORECASE), why) for words, why in _CLAIMS)


def find_claims(text: str) -> tuple[tuple[str, str], ...]:
    """(words found, why they cannot be claimed), in order, each once.

    Examples
    --------
    >>> find_claims("A rare plate, dishwasher safe")[1][0]
    'dishwasher safe'
    """
    found = [(match.start(), match[0], why) for words, why in CLAIMS for match in words.finditer(text)]
    return tuple(dict.fromkeys((words, why) for _, words, why in sorted(found)))
