"""Result types of a reading: frozen, checked where they are made, plain to serialise.

Coordinates are pixels of the upright full-size photo, origin top left, x right,
y down. A field that could not be measured is ``None``; ``Trim.reasons`` or the
``reason`` beside it says why.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass, field
from typing import Any, Literal

PieceStatus = Literal["found", "partial", "not found"]
Verdict = Literal["gold", "platinum", "worn lustre", "no metal", "cannot tell"]
Metal = Literal["gold", "platinum"]
Layout = Literal["continuous", "spaced", "none"]
Symmetry = Literal["p1", "p11g", "p1m1", "p2", "p2mg", "p11m", "p2mm"]
Place = Literal["edge", "verge"]

Point = tuple[float, float]


def _check_share(name: str, value: float | None) -> None:
    if value is not None and not 0.0 <= value <= 1.0:
        raise ValueError(f"{name} must lie in 0..1, got {value}")


@dataclass(frozen=True)
class PhotoFacts:
    """The file as read: upright size in pixels, hash of the uploaded bytes, EXIF time (ISO 8601) or None."""

    width: int
    height: int
    sha256: str
    taken_at: str | None = None


@dataclass(frozen=True)
class Ellipse:
    """Ellipse in photo pixels; ``angle_deg`` from +x to the semi-major axis, clockwise as seen."""

    cx: float
    cy: float
    semi_major: float
    semi_minor: float
    angle_deg: float


@dataclass(frozen=True)
class Rim:
    """The outer lip: closed polygon of at least 64 points, hidden parts extrapolated.

    ``ellipse`` is None where the lip is none. ``visible_share`` is the part of the lip that is seen.
    """

    curve: tuple[Point, ...] | None
    ellipse: Ellipse | None
    visible_share: float

    def __post_init__(self) -> None:
        _check_share("visible_share", self.visible_share)
        if self.curve is not None and len(self.curve) < 64:
            raise ValueError(f"a rim curve has at least 64 points, got {len(self.curve)}")


@dataclass(frozen=True)
class Size:
    """The lip's diameter in mm with its 95 % interval and where the scale comes from."""

    diameter_mm: float
    low_mm: float
    high_mm: float
    source: Literal["paper", "arc", "told"]


@dataclass(frozen=True)
class PieceFacts:
    """The dominant piece: status, visible silhouette clipped to the photo, lip, size."""

    status: PieceStatus
    outline: tuple[Point, ...] | None
    rim: Rim | None
    size: Size | None = None


@dataclass(frozen=True)
class Light:
    """How a perfect white beside the piece appears, linear sRGB, green = 1.

    ``uncertainty_deg`` is the angle in linear RGB that covers the error in nine of ten photos.
    """

    white_rgb: tuple[float, float, float]
    uncertainty_deg: float
    evidence: tuple[str, ...]


@dataclass(frozen=True)
class Sector:
    """Share of the stamped metal left between two rim angles (degrees, clockwise, 0 topmost)."""

    from_deg: float
    to_deg: float
    remaining_share: float | None


@dataclass(frozen=True)
class Retake:
    """The one step that would settle it: a stable name and a sentence."""

    step: str
    text: str


@dataclass(frozen=True)
class ColourPoint:
    """Red and blue over green, linear, of the trim and of the glaze beside it, in one rim block."""

    from_deg: float
    trim_red: float
    trim_blue: float
    glaze_red: float
    glaze_blue: float


@dataclass(frozen=True)
class ColourLine:
    """Colours of the likeliest print round the rim as the photo shows them, not balanced for the light."""

    region: str
    points: tuple[ColourPoint, ...]


@dataclass(frozen=True)
class Trim:
    """The verdict on the metal trim, with its evidence.

    ``colour_line`` is None where no print was measured.
    """

    verdict: Verdict
    metal: Metal | None
    probabilities: dict[str, float] | None
    worn_probability: float | None
    remaining_share: float | None
    sectors: tuple[Sector, ...] | None
    reasons: tuple[str, ...]
    retake: Retake | None = None
    colour_line: ColourLine | None = None

    def __post_init__(self) -> None:
        _check_share("worn_probability", self.worn_probability)
        _check_share("remaining_share", self.remaining_share)
        if self.probabilities is not None and abs(sum(self.probabilities.values()) - 1.0) > 1e-6:
            raise ValueError(f"trim probabilities must sum to 1, got {self.probabilities}")
        if self.verdict == "cannot tell" and self.retake is None:
            raise ValueError("'cannot tell' needs the one step that would settle it")
        if self.verdict in ("gold", "platinum") and self.metal != self.verdict:
            raise ValueError(f"verdict {self.verdict} with metal {self.metal}")
        if self.verdict in ("no metal", "cannot tell") and self.metal is not None:
            raise ValueError(f"verdict {self.verdict} names no metal, got {self.metal}")
        if self.verdict == "no metal" and self.remaining_share is not None:
            raise ValueError("no metal, no remaining share")


@dataclass(frozen=True)
class Line:
    """An edge or verge line: where, colour name (or the metal), width when the scale is known."""

    place: Place
    colour: str
    width_mm: float | None = None


@dataclass(frozen=True)
class Border:
    """Layout of the decoration and its repeats; with layout "none" the rest is None."""

    layout: Layout
    repeats: int | None
    repeat_mm: float | None
    symmetry: Symmetry | None


@dataclass(frozen=True)
class Candidate:
    """One motif of the gallery, with the gallery item that lies nearest."""

    motif: str
    motif_id: str
    variant: str | None
    probability: float
    distance: float
    gallery_id: str


@dataclass(frozen=True)
class Reading:
    """Everything read from one photo. ``to_json`` gives the public form."""

    id: str
    photo: PhotoFacts
    piece: PieceFacts
    light: Light | None
    trim: Trim
    lines: tuple[Line, ...] | None
    border: Border | None
    candidates: tuple[Candidate, ...]
    not_in_gallery_probability: float | None
    strip_first_column_deg: float | None
    cautions: tuple[str, ...]
    timing_ms: dict[str, float] = field(default_factory=dict)

    def to_json(self) -> dict[str, Any]:
        """Return the reading as JSON-ready dicts and lists with the public field names."""
        out: dict[str, Any] = as_plain(self)
        size = out["piece"]["size"]
        if size is not None:
            size["from"] = size.pop("source")
        return out


def as_plain(value: Any) -> Any:
    """A result type as JSON-ready dicts and lists."""
    return _listed(asdict(value))


def _listed(value: Any) -> Any:
    """Tuples to lists, numbers rounded to what they mean, recursively."""
    if isinstance(value, dict):
        return {key: _listed(item) for key, item in value.items()}
    if isinstance(value, (tuple, list)):
        return [_listed(item) for item in value]
    if isinstance(value, float):
        return round(value, 6)
    return value
