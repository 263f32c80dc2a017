"""Why a person should look at where a card ends, in words, before acting on what was found: an outline of a shape that
no usual trim explains, a picture that ends at the photo's edge, a card that shows more on every side.

Millimetres, crops and words are all counted from the outline: one that is not the card's makes new variations of known
cards. Where that is likely no variation is called new. Each sentence begins with `LOOK_AT`, by which a page knows it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from matcher.core.card_lines import CardLine
from matcher.core.condition import Condition
from matcher.core.detect.card_quad import CardQuad
from matcher.core.ladder.candidate import Candidate
from matcher.core.ladder.decision import LOOK_AT, Answer
from matcher.core.photo import Photo

OFF_NOMINAL = 0.06
"""Share by which an outline's proportions may differ from the nominal card's before it is doubted; the 202 clean
scans of the demo differ by up to 0.039."""

MOST_CUT = 0.2
"""The same from which no usual trim explains it: 3 mm off either long side of the commonest card make 0.16, and as
much off head and foot 0.1; own choice."""

CLEARLY = 2.0
"""Standard deviations by which proportions differ at least: those of a tilted card are known less well."""

TRIMMED_MM = 1.0
"""What is missing at least of a card that a person calls trimmed; our own estimate."""

CLEARLY_MM = 1.5
"""A side that shows so much more or less than the known crop is cut elsewhere; five times its usual error."""

BORDER = 0.01
"""Share of a photo's width or height within which an outline's side lies on the photo's edge."""

COUNTED_FROM_IT = ("new_pose", "new_crop")
"""Outcomes that a wrong outline brings about; where the crop is a known one, so is the outline."""

WHOLE_CARD = "show all of the card with a little ground round it, or draw its four corners"


def as_far_as_shown(candidates: Sequence[Candidate], photo: Photo, outline: CardQuad) -> list[Candidate]:
    """The candidates; of one that the card seems trimmed against where the photo ends, that it runs out there."""
    border = _at_border(photo, outline)
    if all(border):  # a picture that was cut to its card
        return list(candidates)

    def seen(one: Candidate) -> Candidate:
        if one.crop is None:
            return one
        left, top, right, bottom = (bool(mm) and out for mm, out in zip(one.crop.trims[0], border, strict=True))
        return replace(one, crop=replace(one.crop, beyond=(left, top, right, bottom)))

    return [seen(one) for one in candidates]


def with_outline_doubts(
    answer: Answer, facts: Condition, photo: Photo, outline: CardQuad, lines: tuple[CardLine, ...] | None
) -> Answer:
    """The answer with what to look at as its last reasons; undecided where it is new and the outline is likely wrong.

    lines: what was read on the card, none where no words were found; None where nothing reads.
    """
    wrong = ""
    if _is_off(facts, MOST_CUT):
        wrong = f"{LOOK_AT}the outline: {_off(facts)}, more than a usual trim explains: {WHOLE_CARD}"
    elif answer.outcome == "new_crop" and lines == () and _cut_by_the_photo(answer, photo, outline):
        wrong = f"{LOOK_AT}the photo: the card may go on beyond its edges: {WHOLE_CARD}"
    if wrong and answer.outcome in COUNTED_FROM_IT:
        answer = replace(answer, outcome="undecided")
    out = _runs_out(answer)
    told = (wrong,) if wrong else (out or _off_size(facts), _more_all_round(answer))
    return replace(answer, reasons=(*answer.reasons, *filter(None, told)))


def _runs_out(answer: Answer) -> str:
    """A card that the photo does not show whole; empty where it does, as far as its nearest crop tells."""
    crop = next((one.crop for one in answer.compared if one.crop), None)
    if crop is None or not any(crop.beyond):
        return ""
    return f"{LOOK_AT}the photo: the card runs out of it, and what lies beyond is not told: {WHOLE_CARD}"


def _is_off(facts: Condition, least: float) -> bool:
    """Whether the outline's proportions differ by more than that, and than its tilt leaves open."""
    return abs(facts.off_nominal or 0.0) > max(least, CLEARLY * facts.sigma.get("off_nominal", 0.0))


def _off(facts: Condition) -> str:
    off = facts.off_nominal or 0.0
    return f"it is {100 * abs(off):.0f} % {'narrower' if off < 0 else 'wider'} than a card of this format"


def _off_size(facts: Condition) -> str:
    """A card that is not of the usual size or shape, as far as scissors go; empty where it is."""
    if facts.off_size_mm and min(facts.off_size_mm) <= -TRIMMED_MM:
        wide, high = facts.off_size_mm
        return f"{LOOK_AT}its edges: it is {wide:+z.1f} x {high:+z.1f} mm off the usual size: is it trimmed?"
    if not _is_off(facts, OFF_NOMINAL):
        return ""
    sides = "at left or right" if (facts.off_nominal or 0.0) < 0 else "at head or foot"
    return f"{LOOK_AT}the outline: {_off(facts)}: the card is trimmed {sides}, or the outline is not its edge"


def _cut_by_the_photo(answer: Answer, photo: Photo, outline: CardQuad) -> bool:
    """Whether the photo ends wherever the card shows less than the nearest known crop, and nothing else differs."""
    margins = _margins(answer)
    less = [margin <= -CLEARLY_MM for margin in margins]
    more = any(margin >= CLEARLY_MM for margin in margins)
    return any(less) and not more and all(at for at, here in zip(_at_border(photo, outline), less, strict=True) if here)


def _at_border(photo: Photo, outline: CardQuad) -> list[bool]:
    """Of the card's left, top, right and bottom, which lie on an edge of the photo, whichever that is."""
    size = np.array([photo.width, photo.height], np.float64)
    near = BORDER * size
    found = []
    for a, b in ((3, 0), (0, 1), (1, 2), (2, 3)):
        side = outline.corners[[a, b]].astype(np.float64)
        found.append(bool(((side <= near).all(axis=0) | (side >= size - near).all(axis=0)).any()))
    return found


def _more_all_round(answer: Answer) -> str:
    """A mount, a holder or a scan's rim within the outline looks like another crop; empty where there is no such."""
    margins = _margins(answer)
    if answer.outcome != "new_crop" or not margins or min(margins) < CLEARLY_MM:
        return ""
    return f"{LOOK_AT}the outline: more is shown on all four sides: it may take in a mount, a holder or the table"


def _margins(answer: Answer) -> tuple[float, ...]:
    """mm that the card shows more than the nearest crop at left, top, right and bottom; none where that is not told."""
    crop = next((one.crop for one in answer.compared if one.crop), None)
    return tuple(crop.window.on_card.margins_mm) if crop else ()
