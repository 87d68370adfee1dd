"""A reading as a few readable lines for the terminal."""

from __future__ import annotations

from typing import Any

Facts = dict[str, Any]
LEAST_SAID = 0.02  # candidates below are left to the JSON


def say_share(probability: float) -> str:
    """A probability in words and numbers, never rounded up to certainty."""
    percent = min(99, max(1, round(probability * 100)))
    words = (
        "very likely"
        if percent >= 90
        else "likely"
        if percent >= 70
        else "perhaps"
        if percent >= 35
        else "unlikely"
    )
    number = f"{percent}" if probability >= 0.005 else "under 1"
    return f"{words}, {number}\u00a0%"  # the number never parts from its sign


def say_verdict(trim: Facts) -> str:
    """The trim verdict as a plain sentence."""
    verdict, metal = trim["verdict"], trim["metal"]
    if verdict == "cannot tell":
        return "The metal cannot be told from this photo."
    if verdict == "no metal":
        return "No metal trim is seen."
    if verdict == "worn lustre":
        return f"Worn lustre: what is left looks like {metal}." if metal else "Worn lustre."
    share = (trim["probabilities"] or {}).get(verdict)
    return f"{verdict.capitalize()} trim" + (f": {say_share(share)}." if share is not None else ".")


def describe_reading(name: str, facts: Facts) -> str:
    """All that a person wants to know first, a line a fact."""
    trim = facts["trim"]
    lines = [name, f"  trim     {say_verdict(trim)}"]
    if trim["remaining_share"] is not None:
        lines.append(
            f"  wear     {round(trim['remaining_share'] * 100)} % of the stamped metal in view remains"
        )
    lines += [f"           {reason}" for reason in trim["reasons"]]
    if trim["retake"] is not None:
        lines.append(f"  retake   {trim['retake']['text']}")
    lines += [f"  lines    {say_lines(facts['lines'])}", f"  border   {say_border(facts['border'])}"]
    if facts["piece"]["size"] is not None:
        lines.append(f"  size     {say_size(facts['piece']['size'])}")
    return "\n".join(lines + _say_candidates(facts))


def say_lines(lines: list[Facts] | None) -> str:
    """Edge and verge lines in words."""
    if lines is None:
        return "edge and verge could not be looked at"
    if not lines:
        return "no edge or verge line"
    said = []
    for line in lines:
        width = f", {line['width_mm']:.1f} mm" if line["width_mm"] is not None else ""
        said.append(f"{line['colour']} {line['place']} line{width}")
    return "; ".join(said)


def say_size(size: Facts | None) -> str:
    """The lip's diameter with its interval, or as a person told it."""
    if size is None:
        return "no scale in the photo"
    if size["from"] == "told":
        return f"{size['diameter_mm']:.0f} mm across, as told"
    low, high = size["low_mm"], size["high_mm"]
    return f"{size['diameter_mm']:.0f} mm across ({low:.0f} to {high:.0f})"


def say_border(border: Facts | None) -> str:
    """Layout, repeats and frieze group in words."""
    if border is None:
        return "could not be looked at"
    if border["layout"] == "none":
        return "no stamped border"
    repeats = f", {border['repeats']} repeats" if border["repeats"] is not None else ""
    symmetry = f", frieze {border['symmetry']}" if border["symmetry"] is not None else ""
    return f"{border['layout']}{repeats}{symmetry}"


def _say_candidates(facts: Facts) -> list[str]:
    lines = []
    worth_saying = [c for c in facts["candidates"] if c["probability"] >= LEAST_SAID] or facts["candidates"][
        :1
    ]
    for place, candidate in enumerate(worth_saying, start=1):
        variant = f" ({candidate['variant']})" if candidate["variant"] else ""
        lines.append(f"  motif {place}  {candidate['motif']}{variant}: {say_share(candidate['probability'])}")
    missing = facts["not_in_gallery_probability"]
    if missing == 1.0 and not lines:
        lines.append("  motif    the gallery is empty: nothing to compare with")
    elif missing is not None:
        lines.append(f"  none     of the gallery's motifs: {say_share(missing)}")
    elif not lines:
        lines.append("  motif    no border could be compared with the gallery")
    return lines


def describe_item(item: Facts) -> str:
    """One gallery item on a line."""
    parts = [item["motif"], item["variant"], item["metal"], item["state"], item["maker"], item["line"]]
    parts += [item["decoration_number"], item["piece"]]
    said = ", ".join(part for part in parts if part)
    return f"{item['id']}  {said}" + ("" if item["matchable"] else f"  [not matched: {item['reason']}]")
