"""Why the verdict is what it is, and the one thing to photograph again, in the trade's words."""

from __future__ import annotations

from dataclasses import dataclass, field

from model.facts import Light, Metal, Retake, Verdict

# When a circumstance is named as the cause of doubt; chosen by what a person can see and change, no source.
UNSURE_LIGHT_DEG = 6.0  # over a third of the least angle between gold and platinum, 16.8 degrees
CLIPPED_SHARE = 0.25
THIN_TO_BLUR = 1.6  # print half as wide as the blur has no pixel of its own colour
THIN_PX = 1.8
FEW_PIXELS_LOG = 2.5
BETWEEN_METALS_DEG = 12.5  # halfway from platinum, at most 5 degrees from white, to gold, at least 20

AGREEING_PARTS = 0.9  # share of the places from which they are said to agree (own choice)

STEPS = {
    "whole piece": "Take the whole piece square-on, rim in full view.",
    "paper beside it": "Lay a sheet of plain white paper beside the piece and take it again.",
    "lamps off": "Take it by window light with lamps and flash off: the trim is washed out by glare.",
    "closer": "Come closer: fill the picture with the rim.",
    "sharper": "Wipe the lens, hold still, tap on the rim to focus and take it again.",
    "paper in the trim": "Hold white paper so that it is mirrored in the trim and take it again.",
    "turn it": "Turn the piece a quarter and take it again: true metal keeps its colour, reflections move.",
    "low side light": "Light the rim from low at one side and take it again: wear shows as dull breaks.",
}


@dataclass(frozen=True, eq=False)
class Finding:
    """What the judgement rests on: ``features`` and ``kind`` are those of the most metallic region,
    ``measures`` those of the cells that the network labelled."""

    verdict: Verdict
    metal: Metal | None
    chances: dict[str, float]
    worn_chance: float | None
    remaining_share: float | None
    features: dict[str, float] | None
    light: Light | None
    kind: str | None
    measures: dict[str, float] = field(default_factory=dict)


def take_again(step: str) -> Retake:
    """The named step with its sentence."""
    return Retake(step, STEPS[step])


def look_reason() -> Retake:
    """The step where no rim could be looked at."""
    return take_again("whole piece")


def choose_retake(finding: Finding) -> Retake:
    """The one step whose missing evidence most widens the answer."""
    features, light = finding.features, finding.light
    if features is None or light is None:
        return take_again("closer" if finding.kind is not None else "whole piece")
    if features["depth_px"] < THIN_PX or features["core_count_log"] < FEW_PIXELS_LOG:
        return take_again("closer")
    if features["depth_to_blur"] < THIN_TO_BLUR:
        return take_again("sharper")
    if features["clipped_share"] > CLIPPED_SHARE:
        return take_again("lamps off")
    no_sheet = not features["has_paper"]
    if no_sheet and light.uncertainty_deg > UNSURE_LIGHT_DEG / 2:
        return take_again("paper beside it")
    metal_sure = finding.chances["no metal"] < 0.2
    if metal_sure and finding.metal is None and finding.worn_chance is not None and _half_worn(finding):
        return take_again("low side light")
    return take_again("paper in the trim" if metal_sure else "turn it")


def _half_worn(finding: Finding) -> bool:
    surest = max(finding.chances["gold"], finding.chances["platinum"])
    return finding.worn_chance is not None and 0.3 < finding.worn_chance < 0.7 and surest > 0.8


def explain(finding: Finding) -> list[str]:
    """Plain sentences: what was seen, what it was held against, what stands in the way."""
    sentences = []
    if finding.kind is None:
        return ["No print or line was found on the rim in view."]
    if finding.features is None:
        return ["The print on the rim is too thin, too dark or too bright to read its colour."]
    sentences.append(_about_colour(finding.features, finding.metal))
    sentences += _about_places(finding)
    sentences.append(_about_mirroring(finding.features))
    sentences += _about_wear(finding)
    sentences += _about_doubt(finding)
    return sentences


def _about_colour(features: dict[str, float], metal: Metal | None) -> str:
    angle = features["angle_from_white"]
    if metal is not None and (metal == "gold") != (angle > BETWEEN_METALS_DEG):
        return (
            f"Place by place the trim has the colours of {metal} among these surroundings; its mean colour, "
            f"{angle:.0f} degrees from white, is mixed with glaze or with what it mirrors and decides little."
        )
    blue = features["bg_line"]
    if blue < -0.35:
        warm = "clearly yellower than"
    elif blue < -0.15:
        warm = "a little yellower than"
    elif blue < 0.15:
        warm = "close to"
    else:
        warm = "bluer than"
    return (
        f"After balancing for the light, the print lies {angle:.0f} degrees from white, {warm} neutral: gold "
        "lies some 20 to 33 degrees from white, platinum 3 to 5."
    )


def _about_places(finding: Finding) -> list[str]:
    """How far the parts of the rim agree, where the trim is likely metal."""
    share = finding.measures.get("part_share")
    if share is None or finding.chances["no metal"] > 0.5:
        return []
    name, part = ("gold", share) if share >= 0.5 else ("platinum", 1 - share)
    likelier = max(("gold", "platinum"), key=lambda metal: finding.chances[metal])
    if name != likelier:
        return [
            f"Most places round the rim look like {name}, all that was measured together like {likelier}."
        ]
    if part > AGREEING_PARTS:
        return [f"Place by place round the rim its metal looks like {name}."]
    return [f"Round the rim {round(100 * part)} % of the places look like {name}, the others do not."]


def _about_mirroring(features: dict[str, float]) -> str:
    spread = features["bright_q95"] - features["bright_q05"]
    if features["brighter_share"] > 0.1 and spread > 0.8:
        return "Round the rim it is both darker and brighter than the glaze, as a mirror is."
    if spread > 0.6:
        return "Its brightness changes from place to place more than paint would."
    return "Its brightness is even from place to place, as that of paint or a dulled film."


def _about_wear(finding: Finding) -> list[str]:
    if finding.verdict == "no metal":
        return []
    if finding.remaining_share is None:
        return ["How much is left was not measured: too little of the print is surely metal."]
    percent = round(100 * finding.remaining_share)
    if finding.verdict == "worn lustre" and percent >= 75:
        return [f"About {percent} % of the stamped area still carries metal, but much of it has gone dull."]
    return [f"About {percent} % of the stamped area in view still carries metal."]


def _about_doubt(finding: Finding) -> list[str]:
    features, light = finding.features, finding.light
    if features is None or light is None:
        return []
    doubts = []
    if light.uncertainty_deg > UNSURE_LIGHT_DEG:
        doubts.append(f"The colour of the light is known only within {light.uncertainty_deg:.0f} degrees.")
    if features["clipped_share"] > CLIPPED_SHARE:
        doubts.append("Much of the trim is washed out to pure white; those places were left out.")
    if features["depth_to_blur"] < THIN_TO_BLUR or features["depth_px"] < THIN_PX:
        doubts.append("The print is hardly wider than the blur, so its colour mixes with the glaze.")
    if finding.verdict == "cannot tell" and not doubts:
        doubts.append(
            "What the trim mirrors could explain this colour with more than one metal or with paint."
        )
    return doubts
