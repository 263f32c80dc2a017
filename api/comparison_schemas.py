"""The shapes of what `comparisons` takes and answers."""

from __future__ import annotations

from typing import Annotated, Literal

from fastapi import Path
from pydantic import BaseModel, Field

from api.schemas import Identification, Probability, Quad, QuadText, Query, corners_of

CardLayer = Annotated[Literal["face", "crops"], Path()]
CandidateLayer = Annotated[Literal["laid", "agreement"], Path()]

MOST_LAID = 9
"""One for each of the keys 1 to 9."""


class TopQuery(Query):
    top: int = Field(MOST_LAID, ge=1, le=MOST_LAID, description="Candidates of each card to lay over it.")


class ComparisonQuery(TopQuery):
    quad: QuadText | None = None

    @property
    def corners(self) -> Quad | None:
        return corners_of(self.quad)


class LaidCandidate(BaseModel):
    """Addresses of pictures in the frame of the card's face; null where there is none."""

    laid: str | None = Field(description="The candidate's reference, registered on the card.")
    agreement: str | None = Field(description="The card, blue where the two agree and red where they differ.")


class CropWindow(BaseModel):
    crop: str
    probability: Probability = Field(description="That the card shows this crop.")
    corners: Quad = Field(description="TL TR BR BL in the picture of the crops.")


class Crops(BaseModel):
    """Every known crop of the pose in one frame, the card's own among them."""

    pose: str
    picture: str
    width: int
    height: int
    own: Quad
    sigma_mm: float = Field(description="Standard error of the card's own place.")
    sigma_px: float = Field(description="The same in the picture.")
    known: list[CropWindow]


class LaidCard(BaseModel):
    face: str = Field(description="The card cut out, flattened and upright.")
    candidates: list[LaidCandidate] = Field(description="In the order of the identification's.")
    crops: Crops | None


class Comparison(BaseModel):
    name: str = Field(description="It is kept for about an hour.")
    identification: Identification
    photo: str = Field(description="The photo, upright, at most 1600 px on its longer side.")
    cards: list[LaidCard] = Field(description="In the order of the identification's.")
