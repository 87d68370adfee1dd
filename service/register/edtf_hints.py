"""What was probably meant by a text that is not EDTF: the dead syntax of 2012, and everyday ways of writing.

Only suggestions; whoever asks checks that they can be read.

References
----------
Library of Congress, Extended Date/Time Format (EDTF) Specification, 4 February 2019, section Differences:
u became X, masked precision went, ?~ became %, parentheses went, unknown and open became nothing and two
dots, y, e and p became Y, E and S.
"""

from __future__ import annotations

import re

_SEASONS = {"spring": 21, "summer": 22, "autumn": 23, "fall": 23, "winter": 24}
_HEMISPHERES = {"northern": 25, "southern": 29}
_CIRCA = r"(?:c|ca|circa|about|around|abt)\.?\s*"
_YEAR = r"([0-9]{4})"
# Each: what is written, and the EDTF it stands for. Common practice, no source.
_EVERYDAY: tuple[tuple[str, str], ...] = (
    (rf"{_CIRCA}{_YEAR}", r"\1~"),
    (rf"{_YEAR}\s*(?:ca|circa)\.?", r"\1~"),
    (rf"{_CIRCA}([0-9]{{3}})0'?s", r"\1X~"),
    (r"(?:the\s+)?([0-9]{3})0'?s", r"\1X"),
    (r"(?:from\s+)?([0-9]{4})\s*(?:-|–|—|to|until|till|and)\s*([0-9]{4})", r"\1/\2"),
    (r"between\s+([0-9]{4})\s+and\s+([0-9]{4})", r"[\1..\2]"),
    (r"([0-9]{4})\s+or\s+([0-9]{4})", r"[\1,\2]"),
    (rf"(?:from|since)\s+{_YEAR}", r"\1/.."),
    (rf"{_YEAR}\s*(?:-|–|—)", r"\1/.."),
    (rf"(?:probably|perhaps|possibly|maybe)\s+{_YEAR}", r"\1?"),
    (rf"(?:by|until|till|up to)\s+{_YEAR}", r"[..\1]"),
    (r"([0-9]{4})/([0-9]{2})/([0-9]{2})", r"\1-\2-\3"),
    (r"([0-9]{4})\.([0-9]{2})\.([0-9]{2})", r"\1-\2-\3"),
    (r"([0-9]{4})([0-9]{2})([0-9]{2})", r"\1-\2-\3"),
    (r"([0-9]{4})-([1-9])", r"\1-0\2"),
)


def suggest_edtf(text: str) -> tuple[str, ...]:
    """EDTF that the text may have meant, best first; may be none, and may be no good."""
    plain = " ".join(text.lower().split())
    found = [_renew(text)]
    for pattern, replacement in _EVERYDAY:
        if (match := re.fullmatch(pattern, plain)) is not None:
            found.append(match.expand(replacement))
    found += _suggest_words(plain)
    return tuple(hint for hint in found if hint and hint != text)


def _suggest_words(plain: str) -> list[str]:
    """Before, after, and the seasons: what a pattern alone cannot turn into EDTF."""
    found = []
    if (match := re.fullmatch(rf"(?:before|pre-?)\s*{_YEAR}", plain)) is not None:
        found.append(f"[..{int(match[1]) - 1:04d}]")
    if (match := re.fullmatch(rf"(?:after|post-?)\s*{_YEAR}", plain)) is not None:
        found.append(f"[{int(match[1]) + 1:04d}..]")
    if (match := re.fullmatch(rf"([a-z]+)\s+(?:of\s+)?{_YEAR}", plain)) and match[1] in _SEASONS:
        found.append(f"{match[2]}-{_SEASONS[match[1]]}")
    return found


def _renew(text: str) -> str:
    """The text with everything that changed in 2019 in its new form."""
    new = re.sub(r"(?<=[0-9uxX-])[ux]|(?<![a-z])[ux](?=[ux0-9-])", "X", text)
    new = re.sub(r"^unknown(?=/)|(?<=/)unknown$", "", new)
    new = re.sub(r"^open(?=/)|(?<=/)open$", "..", new)
    new = re.sub(r"\?~|~\?", "%", new)
    new = re.sub(r"^y(?=-?[0-9])", "Y", new)
    new = re.sub(r"(?<=[0-9])e(?=[0-9])", "E", new)
    new = re.sub(r"(?<=[0-9])p(?=[0-9])", "S", new)
    new = re.sub(r"-2([1-4])\^(northern|southern)\w*", _renew_season, new)
    return _open_brackets(new)


def _renew_season(match: re.Match[str]) -> str:
    return f"-{_HEMISPHERES[match[2]] + int(match[1]) - 1}"


def _open_brackets(text: str) -> str:
    """``2011-(06)?-04`` marked one part; now the mark stands before it. Of more parts, each is marked."""

    def mark_each(match: re.Match[str]) -> str:
        return "-".join(match[2] + part for part in match[1].split("-"))

    text = re.sub(r"^\(([0-9X-]+)\)([?~%])", r"\1\2", text)
    return re.sub(r"\(([0-9X-]+)\)([?~%])", mark_each, text)


def find_caution(text: str) -> str | None:
    """A warning where good EDTF is likely to be a slip: ``1932-37`` is a third of a year, not a run."""
    match = re.fullmatch(r"([0-9]{2})([0-9]{2})-([0-9]{2})", text)
    if match is None or int(match[3]) < 25:
        return None
    run = f"{match[1]}{match[2]}/{match[1]}{match[3]}"
    if int(match[3]) <= int(match[2]):
        return None
    return f"Read as a part of the year {match[1]}{match[2]}. If a run of years was meant, write {run}."
