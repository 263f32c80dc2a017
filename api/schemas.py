"""The shapes of requests and answers.

`Identification` and what it holds are the contract that the command line keeps too. They let through what they do
not know, so that both always say the same.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, StringConstraints

from api.settings import MOST_CANDIDATES
from matcher.core.ladder.decision import Outcome

Point = tuple[float, float]
Quad = tuple[Point, Point, Point, Point]
Probability = Annotated[float, Field(ge=0, le=1)]
Words = Annotated[str, StringConstraints(max_length=200, pattern=r"^[^\x00]*$")]
"""Text to look for; databases other than SQLite know no NUL."""

RowId = Annotated[int, Field(ge=1, le=2**63 - 1)]
"""What the database can count to."""


# Requests


class Query(BaseModel):
    """Parameters of an address; one that is misspelt is told, not ignored."""

    model_config = ConfigDict(extra="forbid", frozen=True)


NUMBER = r"-?\d{1,6}(\.\d{1,3})?"
QuadText = Annotated[
    str,
    Field(
        pattern=f"^{NUMBER}(,{NUMBER}){{7}}$",
        description="The only card's corners as a person has drawn them: x,y four times, in order round the card, "
        "pixels of the upright photo. Without it the cards are found.",
    ),
]


def corners_of(text: str | None) -> Quad | None:
    """
    >>> corners_of("0,0,10,0,10,20.5,0,20")
    ((0.0, 0.0), (10.0, 0.0), (10.0, 20.5), (0.0, 20.0))
    """
    if text is None:
        return None
    x1, y1, x2, y2, x3, y3, x4, y4 = map(float, text.split(","))
    return (x1, y1), (x2, y2), (x3, y3), (x4, y4)


class IdentifyQuery(Query):
    top: int = Field(5, ge=1, le=MOST_CANDIDATES, description="Most candidates to tell of each card.")
    quad: QuadText | None = None


class RecordsQuery(Query):
    subject: Words | None = Field(None, description="Only of this subject, in upper or lower case.")
    pose: Words | None = Field(None, description="Only of this pose.")
    series: Words | None = Field(None, description="Only of this series.")
    q: Words | None = Field(None, description="Only with this text in any field but `extra`, pose and crop.")
    limit: int = Field(100, ge=1, le=500, description="Most records to list.")
    offset: int = Field(0, ge=0, le=2**31 - 1, description="Records to skip.")


# The contract


class Contract(BaseModel):
    model_config = ConfigDict(extra="allow", populate_by_name=True)


class Confidence(Contract):
    """Probabilities; null where a rung was not reached."""

    pose: Probability | None
    crop: Probability | None
    caption: Probability | None
    record: Probability | None
    copy_: Probability | None = Field(alias="copy", description="That it is the very card of the reference.")


class CropShift(Contract):
    """The picture's place on the card, against the reference's: mm, right and down; a factor; mm."""

    dx: float
    dy: float
    scale: float
    sigma_mm: float


class Candidate(Contract):
    """One reference that the card was compared with."""

    record_id: str
    pose: str
    crop: str
    caption: str
    reference: str = Field(description="Id of the reference: /v1/references/{id}/image shows it.")
    confidence: Confidence
    crop_shift_mm: CropShift | None
    evidence: dict[str, Any] = Field(description="The numbers behind the confidences, and the rungs' sentences.")


class Face(Contract):
    """Facts about the flattened card; shares are of 1."""

    size_mm: Point | None = Field(description="Width and height, where the scan states its resolution.")
    residual_contrast: float
    glare: float
    sharpness: float
    turned: int = Field(description="Degrees clockwise by which the photo shows the card turned: 0, 90, 180 or 270.")
    # Answers that were stored with a find may be older than what follows.
    unevenness: float | None = Field(None, description="Change of the tonal range across the picture, over its mean.")
    aspect: float | None = Field(None, description="Width over height as cut, the tilt taken out.")
    off_nominal: float | None = Field(None, description="`aspect` as a share of the nominal one, less 1.")
    off_size_mm: Point | None = Field(None, description="`size_mm` less the nominal size: below 0 is trimmed.")
    off_square: float | None = Field(
        None, description="Degrees by which the worst corner misses a right angle, on a scan."
    )
    scale: Literal["scan", "nominal"] = Field(
        "nominal", description="Where millimetres come from: the scan, or the usual size."
    )
    upright: Probability | None = Field(None, description="That the card stands as `quad` says, by what is seen on it.")
    back: Probability | None = Field(None, description="That this is the card's back.")
    sigma: dict[str, float] = Field({}, description="One standard deviation of each fact, by name, in its unit.")


class Card(Contract):
    """One card of the photo."""

    quad: Quad = Field(description="Corners TL TR BR BL of the upright card, pixels of the upright photo.")
    outcome: Outcome
    record_id: str | None = Field(description="Null unless the outcome is `known`.")
    pose: str | None
    crop: str | None
    caption: str | None
    confidence: Confidence
    candidates: list[Candidate] = Field(description="Closest first.")
    face: Face
    reasons: list[str]


class PhotoError(Contract):
    code: str
    message: str


class Identification(Contract):
    """What was found in one photo. A match is no proof that a card is genuine or unaltered."""

    photo: str = Field(description="What the client calls the photo, without folders.")
    sha256: str | None
    width: int | None
    height: int | None
    error: PhotoError | None = Field(description="`no_card` where none was found.")
    cards: list[Card]
    versions: dict[str, str]


# Records


class Record(BaseModel):
    """One known variation; texts are empty where nothing is stated."""

    model_config = ConfigDict(from_attributes=True)

    record_id: str
    subject: str
    pose: str
    crop: str
    caption: str
    club: str
    issuer: str
    year: str
    note: str
    extra: Mapping[str, str] = Field(description="Further columns of the table that it came from.")
    series: str = Field(description="Id of its series.")
    issuer_mark: str = Field(description="The issuer's mark as printed.")
    caption_place: str = Field(description="Where the words stand.")


class RecordPage(BaseModel):
    total: int = Field(description="How many there are, on all pages.")
    items: list[Record] = Field(description="In the order of their ids.")


class Reference(BaseModel):
    """One image of a known card."""

    model_config = ConfigDict(from_attributes=True, populate_by_name=True)

    id: int
    image: str = Field(description="Address of the image.")
    copy_: str | None = Field(alias="copy", description="Label of the physical card, where somebody has given one.")
    sha256: str = Field(description="Of the file as it was enrolled.")
    name: str = Field(description="What the file was called when it was enrolled.")
    source: str
    note: str
    extra: Mapping[str, str]
    added_at: datetime
    seen_on: str = Field(description="Day that the card was seen on, where somebody has said it.")
    width: int
    height: int
    quad: Quad = Field(description="Corners TL TR BR BL of the upright card, pixels of the upright image.")
    facts: Mapping[str, Any]


class RecordDetail(Record):
    references: list[Reference]


# The service


class CatalogueHealth(BaseModel):
    records: int
    references: int
    copies: int
    poses: int
    subjects: int


class QueueHealth(BaseModel):
    workers: int
    limit: int = Field(description="Photos that may wait beyond those being worked on.")
    working: int
    waiting: int
    state: Literal["starting", "ready", "failing"]


class IndexHealth(BaseModel):
    references: int = Field(description="References in the stored index.")
    kind: str | None
    current: bool = Field(description="False: each worker makes the index anew when it starts; enrol to store it.")


class Health(BaseModel):
    status: Literal["ok", "starting", "failing"]
    versions: dict[str, str]
    catalogue: CatalogueHealth
    queue: QueueHealth
    index: IndexHealth


class FaultDetails(BaseModel):
    """One thing wrong with a request."""

    model_config = ConfigDict(populate_by_name=True)

    in_: Literal["path", "query", "header", "body"] = Field(alias="in")
    name: str
    detail: str


class ProblemDetails(BaseModel):
    """RFC 9457 problem details."""

    type: str = Field(pattern="^urn:platekin:problem:[a-z0-9_]+$")
    title: str
    status: int
    detail: str
    code: str = Field(description="The last part of `type`.")
    errors: list[FaultDetails] = Field([], description="With `validation`: each thing that is wrong.")
