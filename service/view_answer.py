"""The answer of a reading in a sentence, the reason for it, and the one step that comes next."""

from __future__ import annotations

from typing import Any

from service import report

Facts = dict[str, Any]
LIKELY = 0.5  # more likely than not: the page then says so before it shows look-alikes
LEAST_NAMED = 0.35  # where the words of ``report.say_share`` change from "unlikely" to "perhaps"

_TRIM = {
    "gold": "the trim looks gold",
    "platinum": "the trim looks platinum",
    "no metal": "no metal trim is seen",
    "cannot tell": "the metal cannot be told from this photo",
}


def misses_likely(facts: Facts) -> bool:
    """The motif is more likely outside the gallery than in it."""
    return bool((facts["not_in_gallery_probability"] or 0.0) >= LIKELY)


def say_answer(facts: Facts) -> str:
    """Border and trim in one sentence, never surer than the numbers."""
    return f"{say_motif(facts)}; {say_trim(facts['trim'])}."


def say_briefly(facts: Facts) -> str:
    """The same in a few words, for lists."""
    verdict = "metal not told" if facts["trim"]["verdict"] == "cannot tell" else facts["trim"]["verdict"]
    return f"{say_motif(facts)}; {verdict}"


def say_why_trim(trim: Facts) -> str:
    """The reason that weighs most: what was seen, or, where nothing can be told, what stands in the way."""
    if not trim["reasons"]:
        return ""
    return make_sentence(trim["reasons"][-1 if trim["verdict"] == "cannot tell" else 0])


def make_sentence(reason: str) -> str:
    """With a capital and a full stop, as reasons from errors come without."""
    return reason[:1].upper() + reason[1:] + ("" if reason.endswith((".", "!", "?")) else ".")


def say_motif(facts: Facts) -> str:
    """Which motif, with how sure that is."""
    if facts["border"] is not None and facts["border"]["layout"] == "none":
        return "No stamped border"
    if facts["strip_first_column_deg"] is None:
        return "The rim was not found"
    if not facts["candidates"]:
        unknown = facts["not_in_gallery_probability"] is None
        return "No border to compare" if unknown else "Nothing in the gallery to compare with"
    if misses_likely(facts):
        return "Probably not a motif of your gallery"
    best = facts["candidates"][0]
    if best["probability"] < LEAST_NAMED:
        return "No clear motif"
    words = report.say_share(best["probability"]).split(",")[0]
    variant = f" ({best['variant']})" if best["variant"] else ""
    return f"{words.capitalize()} {best['motif']}{variant}"


def say_trim(trim: Facts) -> str:
    """The verdict as half a sentence."""
    if trim["verdict"] == "worn lustre":
        return f"worn lustre that looks {trim['metal']}" if trim["metal"] else "the lustre is worn"
    return _TRIM[trim["verdict"]]


def say_why_motif(facts: Facts) -> str:
    """Why this motif: what comes nearest, and how far the next one is behind."""
    if not facts["candidates"]:
        return ""
    best, *others = facts["candidates"]
    if misses_likely(facts):
        missing = report.say_share(facts["not_in_gallery_probability"])
        return f"Not in the gallery: {missing}. Nearest is {best['motif']}, {_share(best)}."
    said = f"{best['motif']}: {_share(best)}, by the gallery photo that comes nearest."
    return said + (f" Next is {others[0]['motif']}, {_share(others[0])}." if others else "")


def choose_next_step(facts: Facts) -> str:
    """What helps most now: "trace", "confirm" or "name"; a retake stands beside any of them.

    A rim that was missed comes first, since nothing else can be read before it is found.
    """
    if facts["strip_first_column_deg"] is None:
        return "trace"
    if facts["candidates"] and not misses_likely(facts):
        return "confirm"
    return "name"


def _share(candidate: Facts) -> str:
    return report.say_share(candidate["probability"])
