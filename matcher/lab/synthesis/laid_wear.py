"""What is laid upon a card in its life: labels, ink, pencil, stamps, printed words, tape, washes of colour.

Each function is as those of `wear`, which has them all by their names.
"""

from __future__ import annotations

import cv2
import numpy as np

from matcher.lab.synthesis.prints import Field, smooth_field
from matcher.lab.synthesis.strokes import Worn, blob, canvas_of, draw_line, laid_over, scribble, spot_in, walk


def sticker(picture: Field, rng: np.random.Generator, strength: float) -> Worn:
    """A label or stamp stuck on: flat or printed, four straight sides or a disc, a shadow below."""
    canvas, field = canvas_of(picture.shape, 0.6)
    centre = spot_in(picture.shape, rng)
    wide, tall = rng.uniform(15, 45 + 60 * strength), rng.uniform(12, 30 + 40 * strength)
    if rng.random() < 0.7:
        box = cv2.boxPoints(((float(centre[0]), float(centre[1])), (2 * wide, 2 * tall), float(rng.normal(0, 12))))
        cv2.fillPoly(canvas, [np.rint(box * 8).astype(np.int32)], 255, cv2.LINE_AA, 3)
    else:
        cv2.circle(canvas, tuple(int(c) for c in centre), round(0.7 * wide), 255, -1, cv2.LINE_AA)
    mask = field()
    tone = np.full(picture.shape, rng.uniform(0.1, 1.0), np.float32)
    if rng.random() < 0.5:
        tone = np.asarray(tone - 0.6 * scribble(picture.shape, rng, centre, 0.5 * wide, 2), np.float32)
    shade = cv2.GaussianBlur(np.roll(mask, (3, 2), (0, 1)), (0, 0), 2.0) * (1 - mask)
    thick = rng.choice([0.0, 0.3])
    return laid_over(np.asarray(picture * (1 - thick * shade), np.float32), mask, np.clip(tone, 0, 1))


def ink(picture: Field, rng: np.random.Generator, strength: float) -> Worn:
    """Written or scribbled upon, dark or in white ink."""
    lines = scribble(
        picture.shape, rng, spot_in(picture.shape, rng), rng.uniform(25, 60 + 90 * strength), int(rng.integers(1, 4))
    )
    tone = float(rng.uniform(0, 0.25)) if rng.random() < 0.75 else float(rng.uniform(0.85, 1))
    return laid_over(picture, lines * np.float32(rng.uniform(0.7, 1.0)), tone)


def pencil(picture: Field, rng: np.random.Generator, strength: float) -> Worn:
    """Faint grey strokes."""
    lines = scribble(picture.shape, rng, spot_in(picture.shape, rng), rng.uniform(20, 80), int(rng.integers(1, 3)))
    return laid_over(picture, lines * np.float32(rng.uniform(0.25, 0.7)), float(rng.uniform(0.2, 0.5)))


def stamp(picture: Field, rng: np.random.Generator, strength: float) -> Worn:
    """A collector's or dealer's rubber stamp: rings, bars and letters, unevenly inked."""
    canvas, field = canvas_of(picture.shape, 0.6)
    centre, radius = spot_in(picture.shape, rng), rng.uniform(15, 30 + 50 * strength)
    place = tuple(int(c) for c in centre)
    if rng.random() < 0.5:
        for share in (1.0, 0.72):
            cv2.ellipse(
                canvas,
                place,
                (round(share * radius), round(share * radius * rng.uniform(0.6, 1))),
                0,
                0,
                360,
                255,
                2,
                cv2.LINE_AA,
            )
    word = "".join(rng.choice(list("ABCDEFGHIKLMNOPRSTUVWXYZ0123456789"), int(rng.integers(3, 9))))
    cv2.putText(
        canvas,
        word,
        (place[0] - round(radius), place[1]),
        int(rng.integers(0, 8)),
        rng.uniform(0.5, 1.6),
        255,
        int(rng.integers(1, 3)),
        cv2.LINE_AA,
    )
    inked = field() * np.clip(smooth_field(picture.shape, rng, 20) + 0.7, 0, 1)
    return laid_over(picture, inked * np.float32(rng.uniform(0.4, 0.95)), float(rng.uniform(0.05, 0.5)))


def lettering(picture: Field, rng: np.random.Generator, strength: float) -> Worn:
    """Words printed in the picture, at its foot or head, which another card of the negative need not bear."""
    canvas, field = canvas_of(picture.shape, 0.5)
    height, width = picture.shape
    low = rng.random() < 0.75
    y = rng.uniform(0.88, 0.98) * height if low else rng.uniform(0.04, 0.1) * height
    for _ in range(int(rng.integers(1, 3))):
        word = "".join(rng.choice(list("abcdefghiklmnoprstuvwxyz ABCDEFGHLMNPRST.,'"), int(rng.integers(6, 22))))
        scale = rng.uniform(0.5, 1.1)
        cv2.putText(
            canvas,
            word,
            (round(rng.uniform(0, 0.4) * width), round(y)),
            int(rng.integers(0, 8)),
            scale,
            255,
            int(rng.integers(1, 3)),
            cv2.LINE_AA,
        )
        y += (-1 if low else 1) * 26 * scale
    return laid_over(picture, field(), float(rng.choice([rng.uniform(0, 0.2), rng.uniform(0.85, 1)])))


def tape(picture: Field, rng: np.random.Generator, strength: float) -> Worn:
    """Adhesive tape or its stain: a straight, darker band with firm edges; the picture shows through."""
    canvas, field = canvas_of(picture.shape, float(rng.uniform(0.6, 2.5)))
    path = walk(rng, np.zeros(2), float(rng.uniform(0, np.pi)), 140, 8.0, 0.0)
    path += spot_in(picture.shape, rng) - path[70]
    draw_line(canvas, path, int(rng.uniform(25, 90)))
    band = field()
    through = np.float32(rng.uniform(0.4, 0.85))
    toned = picture * through + (1 - through) * np.float32(rng.uniform(0.2, 0.9))
    return np.asarray(picture * (1 - band) + toned * band, np.float32), np.asarray(
        band * (1 - through) * 0.5, np.float32
    )


def coloured(picture: Field, rng: np.random.Generator, strength: float) -> Worn:
    """Coloured by hand: washes that darken or veil areas and mostly keep to outlines; the picture shows through."""
    smooth = cv2.bilateralFilter(picture, 0, 0.12, 9)
    low, high = np.sort(rng.uniform(0, 1, 2))
    wash = ((smooth > low) & (smooth < max(high, low + 0.12))).astype(np.float32)
    wash *= blob(picture.shape, spot_in(picture.shape, rng), rng.uniform(40, 160), rng, 0.5)
    wash = np.asarray(cv2.GaussianBlur(wash, (0, 0), 1.5), np.float32)
    through = np.float32(rng.uniform(0.45, 0.85))
    toned = picture * through + (1 - through) * np.float32(rng.uniform(0.1, 0.9))
    return np.asarray(picture * (1 - wash) + toned * wash, np.float32), np.asarray(
        0.4 * wash * (1 - through), np.float32
    )
