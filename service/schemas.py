"""Bodies of the HTTP interface: checked on the way in, documented on the way out.

The answers mirror ``model.facts``; a test holds the two together.
"""

from __future__ import annotations

from typing import Annotated, Literal

from fastapi import UploadFile
from pydantic import BaseModel, ConfigDict, Field

from model.facts import Layout, Metal, PieceStatus, Place, Symmetry, Verdict
from service.labels import LONGEST, LONGEST_OTHER

Point = Annotated[list[float], Field(min_length=2, max_length=2, description="x, y in photo pixels")]
Share = Annotated[float, Field(ge=0, le=1)]


class Problem(BaseModel):
    """RFC 9457 problem details."""

    type: str = Field(description="a stable name of the kind of problem, as a reference to its explanation")
    title: str
    status: int
    detail: str = Field(description="a sentence a person can act on")
    faults: list[str] = Field([], description="of a record: one sentence for each field, the field first")


class Photo(BaseModel):
    """The file as read."""

    width: int = Field(description="upright, in pixels")
    height: int
    sha256: str = Field(description="of the bytes as uploaded")
    taken_at: str | None = Field(description="ISO 8601, as the camera wrote it")


class Ellipse(BaseModel):
    """The lip as an ellipse."""

    cx: float
    cy: float
    semi_major: float
    semi_minor: float
    angle_deg: float = Field(description="from +x to the semi-major axis, clockwise as seen")


class Rim(BaseModel):
    """The outer lip."""

    curve: list[Point] | None = Field(
        description="closed polygon of the whole lip, hidden parts extrapolated"
    )
    ellipse: Ellipse | None = Field(description="null where the lip is none")
    visible_share: Share = Field(description="the part of the lip that is seen")


class Size(BaseModel):
    """The lip's diameter with a 95 % interval."""

    diameter_mm: float
    low_mm: float
    high_mm: float
    source: Literal["paper", "arc", "told"] = Field(alias="from")


class Piece(BaseModel):
    """The dominant piece."""

    status: PieceStatus
    outline: list[Point] | None = Field(description="closed polygon of the visible silhouette")
    rim: Rim | None
    size: Size | None = Field(description="null without a scale")


class Light(BaseModel):
    """The main light on the piece."""

    white_rgb: list[float] = Field(description="a perfect white beside the piece, linear sRGB, green = 1")
    uncertainty_deg: float
    evidence: list[str]


class Sector(BaseModel):
    """Wear by rim angle, clockwise as seen, 0 at the rim point topmost in the photo."""

    from_deg: float
    to_deg: float
    remaining_share: Share | None


class Retake(BaseModel):
    """The one step that would settle it."""

    step: str
    text: str


class ColourPoint(BaseModel):
    """Red and blue over green, linear, of trim and glaze in 10 degrees of the rim."""

    from_deg: float
    trim_red: float
    trim_blue: float
    glaze_red: float
    glaze_blue: float


class ColourLine(BaseModel):
    """Colours of the likeliest metal print round the rim, as the photo shows them."""

    region: str
    points: list[ColourPoint] = Field(max_length=36)


class Trim(BaseModel):
    """The verdict on the metal trim."""

    verdict: Verdict
    metal: Metal | None
    probabilities: dict[str, float] | None = Field(
        description="of the metal's identity whatever its wear; sum 1"
    )
    worn_probability: Share | None
    remaining_share: Share | None = Field(description="metal left ÷ metal once stamped, visible part only")
    sectors: list[Sector] | None
    reasons: list[str]
    retake: Retake | None = Field(description="always there with the verdict 'cannot tell'")
    colour_line: ColourLine | None = Field(
        None, description="what colour-line.svg draws; null where it was not measured"
    )


class Line(BaseModel):
    """An edge or verge line."""

    place: Place
    colour: str
    width_mm: float | None


class Border(BaseModel):
    """The stamped decoration."""

    layout: Layout
    repeats: int | None
    repeat_mm: float | None
    symmetry: Symmetry | None = Field(description="frieze group")


class Candidate(BaseModel):
    """A motif of the gallery, with the item that lies nearest."""

    motif: str
    motif_id: str
    variant: str | None
    probability: Share
    distance: float
    gallery_id: str


class Reading(BaseModel):
    """Everything read from one photo. A field that could not be measured is null."""

    id: str
    photo: Photo
    piece: Piece
    light: Light | None
    trim: Trim
    lines: list[Line] | None = Field(description="[] = looked and found none; null = could not look")
    border: Border | None
    candidates: list[Candidate] = Field(description="at most five motifs, best first", max_length=5)
    not_in_gallery_probability: Share | None
    strip_first_column_deg: float | None = Field(description="rim angle of the strip's first column")
    cautions: list[str]
    timing_ms: dict[str, float]


class HintsIn(BaseModel):
    """What a user points at in the photo."""

    model_config = ConfigDict(extra="forbid")
    neutral: str | None = Field(
        None, max_length=100, description="x,y of a point that is neutral white or grey"
    )
    trace: str | None = Field(
        None, max_length=60_000, description="x1,y1;x2,y2;... a line drawn along the border"
    )
    diameter_mm: float | None = Field(
        None, description="the lip's diameter as measured on the piece, 20 to 1000; held when read again"
    )


class ReadingForm(HintsIn):
    """What to read."""

    photo: UploadFile = Field(description="JPEG, PNG or WebP; at most 30 MB and 40 megapixels")


class LabelsIn(BaseModel):
    """What a person says the photo shows."""

    model_config = ConfigDict(extra="forbid")
    motif: str = Field(
        min_length=1, max_length=LONGEST["motif"], description="the motif's name, as you call it"
    )
    variant: str | None = Field(None, max_length=LONGEST_OTHER, description="open, filled, full, reduced …")
    metal: str | None = Field(
        None, max_length=LONGEST_OTHER, description="gold or platinum; silver is taken as platinum"
    )
    state: str | None = Field(None, max_length=LONGEST_OTHER, description="sound or worn")
    maker: str | None = Field(None, max_length=LONGEST_OTHER)
    line: str | None = Field(None, max_length=LONGEST_OTHER, description="the maker's shape line")
    decoration_number: str | None = Field(None, max_length=LONGEST_OTHER)
    piece: str | None = Field(
        None, max_length=LONGEST_OTHER, description="kind of piece, or your own number of it"
    )
    note: str | None = Field(None, max_length=LONGEST["note"])


class GalleryForm(LabelsIn):
    """A photo with its labels."""

    photo: UploadFile


class UndoIn(BaseModel):
    """Which change to undo."""

    model_config = ConfigDict(extra="forbid")
    change: str | None = Field(None, max_length=64, description="id of a change; default: the last one")


class GalleryItem(BaseModel):
    """A labelled photo of the gallery."""

    id: str
    reading_id: str
    motif: str
    motif_id: str
    variant: str | None
    metal: str | None
    state: str | None
    maker: str | None
    line: str | None
    decoration_number: str | None
    piece: str | None
    note: str | None
    matchable: bool
    reason: str | None = Field(description="why it cannot be matched")
    added_at: str


class ChangedItem(GalleryItem):
    """A gallery item and the change that made it so."""

    change: str | None = Field(description="id to undo this with; null where nothing changed")


class GalleryPage(BaseModel):
    """One page of the gallery, newest first."""

    items: list[GalleryItem]
    page: int
    pages: int
    total: int


class UndoneChange(BaseModel):
    """A change that was undone."""

    change: str
    action: str
    at: str


class Undone(BaseModel):
    """What was undone and how the gallery item, if it touched one, stands now."""

    change: str
    undone: UndoneChange
    in_gallery: bool
    item: GalleryItem | None
    records: list[str] = Field(description="ids of the register records that were put back")


class GallerySize(BaseModel):
    """Counts of present items."""

    items: int
    matchable: int
    motifs: int


class ReaderLoad(BaseModel):
    """How busy the reading of photos is."""

    workers: int
    busy: int
    waiting: int = Field(description="photos and pictures in the queue")
    expected_wait_s: int = Field(description="for a photo that comes now, by how long the latest ones took")


class Health(BaseModel):
    """How the service is."""

    status: Literal["ok"]
    gallery: GallerySize
    model_id: str | None
    model_problem: str | None
    reader: ReaderLoad
