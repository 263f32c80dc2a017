"""What has a card's outline and is none: quads of the pool in, which are hardly cards whatever their edges say out.

A drawn rectangle, a bare board, a label, a box of a shape that no scissors make of a card.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from matcher.core.detect.choice_settings import ChoiceSettings
from matcher.core.detect.drawn_rectangles import chalked, only_drawn
from matcher.core.detect.finder import EDGED, SURE, Chances, crosses, whole, witness
from matcher.core.detect.geometry import NEXT, Array, area, clockwise_portrait, inside, nearest_shape, skew, true_ratio
from matcher.core.detect.quad_classifier import HEIGHT_MM
from matcher.core.detect.reduced_image import ReducedImage
from matcher.core.detect.scoring import measure, plain_share
from matcher.core.detect.settings import DetectSettings

Quads = NDArray[np.float32]
Scores = NDArray[np.float32]


def no_card(
    picture: ReducedImage, quads: Quads, scores: Scores, shapes: Array, settings: DetectSettings
) -> NDArray[np.bool_]:
    """(n,) for quads (n, 4, 2) in reduced pixels with their scores (n,); shapes: (k,) widths over heights of cards."""
    choice = settings.choice
    seen = _witness(picture, quads)
    # A badly faded card shows as little as a box or a board; it is one only where all else speaks for it.
    plain = plain_share(picture, quads) >= choice.plain
    plain &= scores < choice.plain_sure
    return np.asarray(
        _drawn(picture, quads, shapes, seen, choice)
        | plain
        | _bare(picture, quads, scores, choice)
        | _misshapen(picture, quads, shapes, choice)
        | through_a_card(quads, seen)
    )


def cut_off(picture: ReducedImage, quads: Quads, shapes: Array, choice: ChoiceSettings) -> NDArray[np.bool_]:
    """(n,): which quads (n, 4, 2), in reduced pixels, are a card that goes on beyond the picture, squeezed into it: a
    side runs along the picture's border, a network sees no card's border there, and the shape is none of `shapes`."""
    seen = _witness(picture, quads)
    if seen is None:
        return np.zeros(len(quads), bool)
    squeezed = on_border(picture, quads, choice.rim * max(picture.width, picture.height)) & ~whole(seen)
    return np.asarray(squeezed & ~of_nominal_shape(picture, quads, shapes, choice))


def _witness(picture: ReducedImage, quads: Quads) -> Chances | None:
    """(n, 18) what a network says of the quads; None where it sees no card and has no say."""
    if not len(quads) or not picture.sees_card:
        return None
    return witness(picture.response, clockwise_portrait(quads), HEIGHT_MM)


def _drawn(
    picture: ReducedImage, quads: Quads, shapes: Array, seen: Chances | None, choice: ChoiceSettings
) -> NDArray[np.bool_]:
    """(n,): which quads are no more than a stroke around them.

    A faded card on a pale lid looks so, its shadow being the stroke; but what is drawn seldom has a card's shape, and
    no shadow is lighter than the table. A pale mount round a dark print on a dark table is; so what a network sees as
    one whole card is never only drawn.
    """
    drawn = only_drawn(picture, quads, HEIGHT_MM, choice.drawn)
    drawn &= ~of_nominal_shape(picture, quads, shapes, choice) | chalked(picture, quads, HEIGHT_MM, choice.drawn)
    return drawn if seen is None else np.asarray(drawn & ~whole(seen))


def through_a_card(quads: Quads, seen: Chances | None) -> NDArray[np.bool_]:
    """(n,): which quads have a side that runs through the middle of what a network sees as one card. Halves of a card
    are measured against nothing but each other where a card of another format was asked for. A crease looks a little
    like a border: what ends there is a part where a whole card lies around it."""
    if seen is None:
        return np.zeros(len(quads), bool)
    complete = quads[whole(seen)]
    part = crosses(seen, EDGED)
    for i in np.nonzero(part)[0]:
        middle, larger = quads[i].mean(axis=0), area(complete) > area(quads[i])
        part[i] = any(inside(middle, other) for other in complete[larger])
    return np.asarray(part | crosses(seen))


def part_of_a_card(picture: ReducedImage, quad: Quads) -> bool:
    """Whether a side of the quad (4, 2), in reduced pixels, runs through the middle of what a network sees as one
    card."""
    return bool(through_a_card(quad[None], _witness(picture, quad[None]))[0])


def inside_a_card(picture: ReducedImage) -> bool:
    """Whether a network sees the inside of a card all over the picture; it has not learnt all that cards may be, so
    that it sees none says nothing."""
    corners = np.array([[0, 0], [picture.width, 0], [picture.width, picture.height], [0, picture.height]], np.float32)
    seen = witness(picture.response, clockwise_portrait(corners)[None], HEIGHT_MM)
    return bool(seen[0, 0] > SURE)


def _misshapen(picture: ReducedImage, quads: Quads, shapes: Array, choice: ChoiceSettings) -> NDArray[np.bool_]:
    """(n,): which quads no scissors could have cut from a card, all of them being seen, and from above: how far a
    tilt has changed the shape is a guess."""
    if not len(quads):
        return np.zeros(0, bool)
    seen = ~on_border(picture, quads, choice.border_px) & (skew(quads) < choice.from_above)
    return np.asarray(seen & (off_shape(picture, quads, shapes) > choice.misshapen))


def _bare(picture: ReducedImage, quads: Quads, scores: Scores, choice: ChoiceSettings) -> NDArray[np.bool_]:
    """(n,): which quads, short of the picture itself, show nothing: in a colour that no paper has, cut off by the
    picture's edge, or as a label on something that itself may be a card."""
    if not len(quads):
        return np.zeros(0, bool)
    evidence = measure(picture, quads, HEIGHT_MM)
    texture = evidence.texture
    framed = evidence.framed.max(axis=1) >= 0.5
    whole = area(quads) > choice.full * picture.width * picture.height
    bare = (texture < choice.blank) & ((evidence.paper < 0.5) | framed)
    for label in np.nonzero(~bare & ~framed & (texture < choice.plain_label))[0]:
        larger = (area(quads) > choice.label * area(quads[label])) & (scores >= choice.rival)
        larger &= (texture > choice.label * texture[label]) & (~whole | (scores >= choice.plain_sure))
        bare[label] = any(inside(quads[label].mean(axis=0), quads[i]) for i in np.nonzero(larger)[0])
    return np.asarray(bare & ~whole)


def of_nominal_shape(picture: ReducedImage, quads: Quads, shapes: Array, choice: ChoiceSettings) -> NDArray[np.bool_]:
    """(n,): which quads have the proportions of one of the shapes, the tilt taken out."""
    return np.asarray(off_shape(picture, quads, shapes) < choice.shape_tolerance)


def off_shape(picture: ReducedImage, quads: Quads, shapes: Array) -> Array:
    """(n,) difference from the nearest of the shapes (k,), as a natural logarithm, the tilt taken out."""
    if not len(quads):
        return np.zeros(0)
    ratio = true_ratio(quads, picture.width, picture.height)
    return np.asarray(np.abs(np.log(ratio / nearest_shape(ratio, shapes))))


def on_border(picture: ReducedImage, quads: Quads, border_px: float) -> NDArray[np.bool_]:
    """(n,): which quads have a side, both of its corners, on the picture's border or beyond."""
    far = np.array([picture.width, picture.height], np.float32)
    out = np.concatenate([quads < border_px, far - quads < border_px], axis=2)  # (n, 4, 4): corners, borders
    return np.asarray((out & out[:, NEXT]).reshape(len(quads), -1).any(axis=1))
