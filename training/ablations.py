"""Parts of the simulation that can be left out of the training strips, to see what each is worth.

A part is left out of the quick strips (``training.quick_strip``) and of the rendered ones alike; what a run
is measured on keeps every part.
"""

from __future__ import annotations

from typing import Any

# The network sees no colour, so of a coloured room only its levels reach it: without them the metal mirrors
# one even grey light, which is what "environment colour" means here.
LEFT_OUT: dict[str, dict[str, Any]] = {
    "environment colour": {"room_variety": 0.0},
    "balance and phone model": {
        "noise": 0.002,
        "exposure": 1.0,
        "cast": (1.0, 1.0, 1.0),
        "contrast": 0.0,
        "saturation": 1.0,
        "sharpening": 0.0,
        "jpeg_quality": 98,
    },
    "wear": {"wear_share": 0.0},
    "blur": {"blur_px": 0.3, "shrink": 1.0},
}


def rendered_without(name: str) -> dict[str, Any]:
    """Choices of the rendered strip that leave a part out; none for ""."""
    return LEFT_OUT[name] if name else {}
