"""The shapes of the contract: what is found in a photo.

The command line keeps to the same contract. These shapes let through what they do not know, so that both always say
the same.
"""

from __future__ import annotations

from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field

from api.parameters import PageNumber, Point, Probability, Quad, QuadText, Query, UprightFlag
from api.settings import MOST_CANDIDATES
from matcher.core.ladder.decision import Outcome


class IdentifyQuery(Query):
    top: int = Field(
        5, ge=1, le=MOST_CANDIDATES, description="At most how many of the closest records to give per card."
    )
    quad: QuadText | None = None
    page: PageNumber = 1
    upright: UprightFlag = False


class Contract(BaseModel):
    model_config = ConfigDict(extra="allow", populate_by_name=True)


class Confidence(Contract):
    """Probabilities; null where a step was not reached."""

    pose: Probability | None
    crop: Probability | None
    caption: Probability | None
    mark: Probability | None = Field(None, description="That it bears the same issuer's mark.")
    record: Probability | None
    copy_: Probability | None = Field(alias="copy", description="That it is the same physical card as the reference.")


class CropShift(Contract):
    """The picture's place on the card, against the reference's: mm, right and down; a factor; mm."""

    dx: float
    dy: float
    scale: float
    sigma_mm: float


class Candidate(Contract):
    """A record that the card was compared with, by its best reference."""

    record_id: str
    pose: str
    crop: str
    caption: str
    reference: str = Field(description="Id of the reference: /v1/references/{id}/image shows it.")
    confidence: Confidence
    crop_shift_mm: CropShift | None
    evidence: dict[str, Any] = Field(description="The numbers behind the confidences, and the findings in words.")


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
    by_hand: bool = Field(False, description="Which way up the card stands is a person's word.")
    format: str = Field("", description="Which format the card has; empty for the common one, 'about ...' for none.")


class Line(Contract):
    """A line that was read on the card."""

    words: str
    part: Literal["caption", "club", "mark", ""] = Field(description="What it is; empty where that is not told.")
    place: str = Field(description="Where it stands, in words.")
    box_mm: tuple[float, float, float, float] = Field(description="Left, top, right, bottom on the card.")
    certainty: Probability = Field(description="The reader's own; not calibrated.")
    form: Literal["line", "box", "oval", "ribbon", ""] = Field(
        "", description="The frame in which a mark stands; empty where that is not told."
    )


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
    lines: list[Line] = Field([], description="What is written along its edges, where there was a reason to read it.")


class PhotoError(Contract):
    code: str
    message: str


class Identification(Contract):
    """What was found in one photo. A match is no proof that a card is genuine or unaltered."""

    pages: int | None = Field(None, description="How many pages the file has, where it has several.")
    photo: str = Field(description="What the client calls the photo, without folders.")
    sha256: str | None
    width: int | None
    height: int | None
    error: PhotoError | None = Field(description="`no_card` where none was found.")
    cards: list[Card]
    versions: dict[str, str]
