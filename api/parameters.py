"""What several addresses take: kinds of texts, numbers and outlines, pages of a list, and two headers."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import Header, Path
from pydantic import BaseModel, ConfigDict, Field, StringConstraints

Point = tuple[float, float]
Quad = tuple[Point, Point, Point, Point]
Probability = Annotated[float, Field(ge=0, le=1)]
PLAIN = r"^[^\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f]*$"
"""Text without control characters, but for tabs and line ends: what `tables.content.is_plain` allows."""

PLAIN_PART = r"^[^\x00-\x1f\x7f-\x9f/]*$"
Words = Annotated[str, StringConstraints(max_length=200, pattern=PLAIN)]
"""Text to look for; databases other than SQLite know no NUL."""

RowId = Annotated[int, Field(ge=1, le=2**63 - 1)]
"""What the database can count to."""

PathWord = Annotated[str, Path(min_length=1, max_length=200, pattern=PLAIN_PART)]
PathNumber = Annotated[int, Path(ge=1, le=2**31 - 1)]

KeyHeader = Annotated[
    str | None,
    Header(alias="Idempotency-Key", max_length=100, pattern=r"^[\x21-\x7e]+$", description="New for each request."),
]
MatchHeader = Annotated[str | None, Header(alias="If-Match", max_length=2000, description="ETag of what you saw.")]

PageNumber = Annotated[
    int,
    Field(
        ge=1, le=100_000, description="Of a TIFF or PDF with several pages, from 1; the answer's `pages` tells them."
    ),
]

NUMBER = r"-?\d{1,6}(\.\d{1,3})?"
QuadText = Annotated[
    str,
    Field(
        pattern=f"^{NUMBER}(,{NUMBER}){{7}}$",
        description="The only card's corners as a person has drawn them: x,y four times, in order round the card, "
        "pixels of the upright photo. Without it the cards are found.",
    ),
]


UprightFlag = Annotated[
    bool,
    Field(
        description="The corners begin at the card's upper left and go clockwise: which way up it stands is the word "
        "of the person who asks. Wants `quad`.",
    ),
]


def corners_of(text: str | None) -> Quad | None:
    """The corners that a `QuadText` names.

    >>> corners_of("0,0,10,0,10,20.5,0,20")
    ((0.0, 0.0), (10.0, 0.0), (10.0, 20.5), (0.0, 20.0))
    """
    if text is None:
        return None
    x1, y1, x2, y2, x3, y3, x4, y4 = map(float, text.split(","))
    return (x1, y1), (x2, y2), (x3, y3), (x4, y4)


MOST_KEYS = 64


def few_keys(given: Any) -> Any:
    """Refuse at once an object of many members: to name each one that is not known would make work without end."""
    if isinstance(given, dict) and len(given) > MOST_KEYS:
        raise ValueError(f"has {len(given)} members; no request has more than {MOST_KEYS}")
    return given


class Query(BaseModel):
    """Parameters of an address; one that is misspelt is told, not ignored."""

    model_config = ConfigDict(extra="forbid", frozen=True)


STRIP = "Keep pictures without what their files say of place, device and owner."


class Stripping(Query):
    strip: bool = Field(False, description=STRIP)


class Paged(Query):
    limit: int = Field(100, ge=1, le=500, description="Most to list.")
    offset: int = Field(0, ge=0, le=2**31 - 1, description="How many to skip.")
