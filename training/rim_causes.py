"""What makes a rim hard to find, read from the truth of a rendered scene."""

from __future__ import annotations

from typing import Any

from training.render.pieces import HOLLOW

STEEP_DEG = 52.0
HALF = (0.3, 0.7)  # visible shares that count as "half of the rim seen"
DARK_GLAZES = ("cobalt",)
PALE_GLAZES = ("white", "ivory", "cream")
BUSY_TABLES = ("checks", "newsprint", "floral")


def groups_of(truth: dict[str, Any]) -> list[str]:
    """Names of the groups a photo is counted in: shape, kind of ware, framing, difficulty, what is seen."""
    plan = truth.get("plan") or {}
    shape, framing = truth.get("piece"), plan.get("framing")
    names = [shape, framing, truth.get("difficulty")]
    if shape is not None and framing is not None:
        flat = shape not in HOLLOW
        names.append("flatware" if flat else "hollowware")
        if framing == "whole":
            names.append("flatware, whole" if flat else "hollowware, whole")
        if framing != "close-up":
            names.append("all but close-ups")
            seen = (truth.get("rim") or {}).get("visible_share", 1.0)
            if flat and HALF[0] <= seen <= HALF[1]:
                names.append("flatware, half of the rim seen")
            if flat and framing == "whole" and plan.get("cover") is None:
                names.append("flatware, whole and uncovered")
    return [str(name) for name in names if name]


def causes_of(truth: dict[str, Any]) -> list[str]:
    """Circumstances that may be why a rim is missed; none for a clear photo of a plate."""
    plan = truth.get("plan") or {}
    cases = {
        "cut by the frame": plan.get("framing") in ("cut", "partial"),
        "close-up": plan.get("framing") == "close-up",
        f"covered by {plan.get('cover')}": plan.get("cover") is not None,
        "seen from the side": truth.get("piece") in HOLLOW,
        "steep": truth.get("piece") not in HOLLOW and plan.get("tilt_deg", 0.0) > STEEP_DEG,
        "stacked": plan.get("stack", 1) > 1,
        "neighbours": plan.get("neighbours", 0) > 0,
        "clutter": plan.get("clutter", 0) >= 3,
        "paper beside it": truth.get("paper") is not None,
        "dark glaze": truth.get("glaze") in DARK_GLAZES,
        "pale on white cloth": truth.get("glaze") in PALE_GLAZES and plan.get("table") == "white cloth",
        "busy table": plan.get("table") in BUSY_TABLES,
        "not round": truth.get("piece") in ("square plate", "scalloped plate", "wavy plate", "creamer"),
        "blurred or shaken": _is_soft(truth.get("phone") or {}),
    }
    return [name for name, is_so in cases.items() if is_so]


def _is_soft(phone: dict[str, Any]) -> bool:
    return bool(phone.get("blur_px", 0.0) > 1.2 or phone.get("motion_px", 0.0) > 2.0)
