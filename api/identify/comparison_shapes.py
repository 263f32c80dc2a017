"""The shapes of comparing by eye: an answer, and where the pictures lie that show why."""

from __future__ import annotations

from typing import Literal

from pydantic import BaseModel, Field

from api.identify.shapes import Identification
from api.parameters import Probability, Quad

Box = tuple[int, int, int, int]
"""Left, top, width, height."""


class Tones(BaseModel):
    """How the duller of card and reference is brought to the other's tones, for looking at them side by side."""

    of: Literal["card", "reference"]
    tables: list[list[float]] = Field(
        description="Of its grey, which red, green and blue it is shown in: values for inputs evenly from 0 to 1, as "
        "of SVG's feFuncR of type table."
    )


class WordsLine(BaseModel):
    """One strip of words, the card's above the reference's, at one scale."""

    picture: str
    width: int
    height: int
    step: int = Field(description="From the card's row down to the reference's, pixels.")
    letters: list[Box] = Field(description="Where they differ, on the card's row.")


class Clearest(BaseModel):
    reference: str
    record_id: str = Field(description="Whose it is: the candidate's own, else another of the same negative.")


class LaidCandidate(BaseModel):
    """Addresses of pictures in the frame of the card's face; null where there is none."""

    laid: str | None = Field(description="The candidate's reference, registered on the card.")
    agreement: str | None = Field(description="The card, blue where both show the same and red where it has moved.")
    clearest: Clearest | None = Field(None, description="What to look at where the candidate's reference is faint.")
    references: int = Field(1, description="How many its record has.")
    tones: Tones | None = None
    moved: list[Box] = Field([], description="Where the picture has moved, pixels of the face, the largest first.")
    lines: list[WordsLine] = []


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


class CloserLook(BaseModel):
    """The card again beside a reference, both of one size; null where that one cannot be laid over the card."""

    scale: float = Field(description="Size of the pictures; 1 is a face's 368 x 640 px.")
    face: str
    laid: str | None
    tones: Tones | None


class Comparison(BaseModel):
    name: str = Field(description="It is kept for about an hour.")
    identification: Identification
    photo: str = Field(description="The photo, upright, at most 1600 px on its longer side.")
    cards: list[LaidCard] = Field(description="In the order of the identification's.")
