"""A card's own life, laid upon its picture: greys in, the worn greys and what was laid over or lost, out.

Each kind is a function `(picture, rng, strength) -> (picture, opaque)`: (h, w) float32 0..1, paper white at 1, and the
share of the picture that can no longer be seen there, 0..1. Lengths are in pixels of a face, 10 a millimetre. What lies
upon a card belongs to nothing on another one: it crosses from sitter to backdrop, runs straight from edge to edge, is
flat, or is torn.
"""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np

from matcher.lab.synthesis.laid_wear import coloured, ink, lettering, pencil, stamp, sticker, tape
from matcher.lab.synthesis.own_tones import own_tones
from matcher.lab.synthesis.prints import Field, smooth_field
from matcher.lab.synthesis.strokes import Worn, blob, canvas_of, draw_line, laid_over, patch, spot_in, walk

Kind = Callable[[Field, np.random.Generator, float], Worn]


def crease(picture: Field, rng: np.random.Generator, strength: float) -> Worn:
    """The emulsion has broken along a line: paper shows, one side stands up and throws a shadow."""
    angle = (
        float(rng.uniform(0, np.pi)) if rng.random() < 0.6 else float(rng.choice([0, np.pi / 2]) + rng.normal(0, 0.05))
    )
    short = rng.random() < 0.3
    steps = int(rng.integers(10, 30)) if short else 140
    path = walk(rng, np.zeros(2), angle, steps, 8.0, rng.uniform(0.0, 0.06))
    path += spot_in(picture.shape, rng) - path[len(path) // 2]
    canvas, field = canvas_of(picture.shape, float(rng.uniform(0.3, 1.0)))
    draw_line(canvas, path, int(rng.integers(1, 3 + round(4 * strength))))
    broken = field()
    worn_off = np.clip(smooth_field(picture.shape, rng, 24) * 1.2 + rng.uniform(0.1, 1.2), 0, 1)
    lost = broken * worn_off * np.float32(rng.uniform(0.4, 1.0))
    dent, depth = canvas_of(picture.shape, float(rng.uniform(2, 6)))
    draw_line(dent, path + rng.uniform(-4, 4, 2), int(rng.integers(3, 9)))
    relief = np.float32(rng.uniform(-0.45, 0.25) * (0.4 + 0.6 * strength)) * depth()
    shaded = np.clip(picture * (1 + relief), 0, 1)
    return laid_over(shaded, lost, float(rng.uniform(0.65, 1.0)))


def surface_loss(picture: Field, rng: np.random.Generator, strength: float) -> Worn:
    """The print's skin is gone in patches: flat paper or board, the rim torn or crisp, often hardly another tone."""
    mask = np.zeros(picture.shape, np.float32)
    for _ in range(int(rng.integers(1, 2 + round(3 * strength)))):
        centre, radius = spot_in(picture.shape, rng), rng.uniform(5, 15 + 35 * strength)
        crisp = rng.random() < 0.4
        one = patch(picture.shape, centre, radius, rng) if crisp else blob(picture.shape, centre, radius, rng, 0.9)
        mask = np.maximum(mask, one)
    around = float((picture * mask).sum() / max(float(mask.sum()), 1.0))
    if rng.random() < 0.6:
        ground = rng.uniform(0.45, 0.98)
    elif rng.random() < 0.5:
        ground = np.clip(around + rng.normal(0, 0.2), 0.05, 1)
    else:  # as grey as something else that the picture shows: nothing but its outline tells it
        ground = float(rng.choice(picture[::16, ::16].ravel()))
    tone = ground + rng.choice([0.0, 0.05]) * smooth_field(picture.shape, rng, 30)
    rim = cv2.GaussianBlur(mask, (0, 0), 1.2) * (1 - mask) * rng.uniform(-0.5, 0.5) * float(rng.random() < 0.6)
    return laid_over(np.clip(picture + rim, 0, 1).astype(np.float32), mask, np.asarray(tone, np.float32))


def holes(picture: Field, rng: np.random.Generator, strength: float) -> Worn:
    """Pins, nails, worms: the ground shows through, with a bright rim."""
    mask, rim = np.zeros(picture.shape, np.float32), np.zeros(picture.shape, np.float32)
    for _ in range(int(rng.integers(1, 2 + round(5 * strength)))):
        centre, radius = spot_in(picture.shape, rng), rng.uniform(1.5, 3 + 10 * strength)
        mask = np.maximum(mask, blob(picture.shape, centre, radius, rng, 0.25))
        rim = np.maximum(rim, blob(picture.shape, centre, radius * rng.uniform(1.1, 1.6), rng, 0.3))
    lit = np.clip(picture + rim * rng.uniform(-0.1, 0.4), 0, 1).astype(np.float32)
    return laid_over(lit, mask, float(rng.choice([rng.uniform(0, 0.25), rng.uniform(0.6, 1)])))


def pinned(picture: Field, rng: np.random.Generator, strength: float) -> Worn:
    """Pinned to a wall: a hole of half a millimetre, its rim pressed up and lit from one side, rust round it."""
    mask, rust, lit = np.zeros(picture.shape, np.float32), np.ones(picture.shape, np.float32), picture
    for _ in range(int(rng.integers(1, 3 + round(2 * strength)))):
        centre, radius = spot_in(picture.shape, rng), float(rng.uniform(1.8, 3.5 + 3 * strength))
        hole = blob(picture.shape, centre, radius, rng, 0.1)
        mask = np.maximum(mask, hole)
        mound = cv2.GaussianBlur(hole, (0, 0), radius)
        across, down = rng.normal(0, 0.3, 2)
        lit = lit + across * np.gradient(mound, axis=1) * radius + down * np.gradient(mound, axis=0) * radius
        halo = cv2.GaussianBlur(hole, (0, 0), radius * rng.uniform(0.8, 2.5))
        rust = rust * (1 - rng.uniform(0, 0.7) * halo / max(float(halo.max()), 1e-3))
    tone = float(rng.uniform(0, 0.25)) if rng.random() < 0.7 else float(rng.uniform(0.6, 1))
    return laid_over(np.clip(lit * rust, 0, 1).astype(np.float32), mask, tone)


def abrasion(picture: Field, rng: np.random.Generator, strength: float) -> Worn:
    """Rubbed: many fine strokes, mostly one way, that take the picture off in part."""
    canvas, field = canvas_of(picture.shape, 0.5)
    centre, angle, spread = spot_in(picture.shape, rng), rng.uniform(0, np.pi), rng.uniform(15, 90)
    for _ in range(int(rng.integers(8, 20 + round(80 * strength)))):
        start = centre + rng.normal(0, spread, 2)
        draw_line(
            canvas,
            walk(rng, start, angle + rng.normal(0, 0.25), 6, rng.uniform(2, 9), 0.1),
            1,
            int(rng.integers(90, 255)),
        )
    return laid_over(picture, field() * np.float32(rng.uniform(0.4, 0.95)), float(rng.uniform(0.6, 1)))


def water(picture: Field, rng: np.random.Generator, strength: float) -> Worn:
    """A tide mark: inside it a little other in tone, its rim dark."""
    patch = blob(picture.shape, spot_in(picture.shape, rng), rng.uniform(30, 90 + 120 * strength), rng, 0.5)
    soft = np.asarray(cv2.GaussianBlur(patch, (0, 0), rng.uniform(1, 5)), np.float32)
    rim = np.abs(soft - cv2.GaussianBlur(patch, (0, 0), rng.uniform(4, 12)))
    tone = picture * (1 - np.float32(rng.uniform(-0.15, 0.3)) * soft)
    marked = tone * (1 - np.float32(rng.uniform(0.3, 1.4)) * rim)
    return np.clip(marked, 0, 1).astype(np.float32), np.zeros_like(picture)


def spots(picture: Field, rng: np.random.Generator, strength: float) -> Worn:
    """Foxing, mould or flyspecks: many soft or hard specks, in flocks."""
    canvas, field = canvas_of(picture.shape, float(rng.uniform(0.5, 2.5)))
    for _ in range(int(rng.integers(1, 6))):
        centre, spread = spot_in(picture.shape, rng), rng.uniform(10, 120)
        for x, y in centre + rng.normal(0, spread, (int(rng.integers(2, 10 + round(40 * strength))), 2)):
            cv2.circle(canvas, (int(x), int(y)), int(rng.integers(1, 5)), int(rng.integers(80, 255)), -1, cv2.LINE_AA)
    return laid_over(
        picture,
        field() * np.float32(rng.uniform(0.3, 0.95)),
        float(rng.choice([rng.uniform(0.15, 0.5), rng.uniform(0.85, 1)])),
    )


def grazed(picture: Field, rng: np.random.Generator, strength: float) -> Worn:
    """Insects have grazed the surface from an edge inwards: winding, ragged tracks."""
    canvas, field = canvas_of(picture.shape, 0.7)
    height, width = picture.shape
    for _ in range(int(rng.integers(1, 3 + round(4 * strength)))):
        side = rng.integers(0, 2)
        start = (
            np.array([rng.uniform(0, width), float(rng.choice([0, height]))])
            if side
            else np.array([float(rng.choice([0, width])), rng.uniform(0, height)])
        )
        inwards = np.arctan2(*(np.array([width, height]) / 2 - start)[::-1])
        draw_line(canvas, walk(rng, start, inwards, int(rng.integers(8, 40)), 4.0, 0.5), int(rng.integers(3, 9)))
    return laid_over(picture, field(), float(rng.uniform(0.6, 0.95)))


def torn(picture: Field, rng: np.random.Generator, strength: float) -> Worn:
    """A corner or a side is gone, or covered by album paper that stuck to it."""
    height, width = picture.shape
    corner = np.array([float(rng.choice([0, width])), float(rng.choice([0, height]))])
    if rng.random() < 0.5:
        return laid_over(
            picture,
            blob(picture.shape, corner, rng.uniform(20, 60 + 90 * strength), rng, 0.5),
            float(rng.uniform(0, 1)),
        )
    canvas, field = canvas_of(picture.shape, 0.8)
    depth = rng.uniform(4, 12 + 30 * strength)
    along = np.arange(0, max(height, width) + 20, 12.0)
    ragged = depth * np.clip(1 + 0.5 * rng.standard_normal(len(along)), 0, 2.5)
    upright = rng.random() < 0.5
    edge = np.column_stack([ragged, along] if upright else [along, ragged])
    far = np.array([[0, along[-1]], [0, 0]]) if upright else np.array([[along[-1], 0], [0, 0]])
    outline = np.vstack([edge, far])
    if rng.random() < 0.5:
        outline = np.array([width, height]) - outline
    cv2.fillPoly(canvas, [np.rint(outline * 8).astype(np.int32)], 255, cv2.LINE_AA, 3)
    tone = rng.uniform(0.1, 1) + 0.06 * smooth_field(picture.shape, rng, 30)
    return laid_over(picture, field(), np.clip(tone, 0, 1).astype(np.float32))


def cracked_plate(picture: Field, rng: np.random.Generator, strength: float) -> Worn:
    """The plate broke between two printings: thin branching lines, dark or light, and chips of lost emulsion."""
    canvas, field = canvas_of(picture.shape, 0.4)
    start, angle = spot_in(picture.shape, rng), rng.uniform(0, 2 * np.pi)
    for branch in range(int(rng.integers(1, 4))):
        draw_line(
            canvas, walk(rng, start, angle + branch * rng.uniform(0.5, 2.6), 90, 7.0, 0.03), int(rng.integers(1, 3))
        )
    mask = field()
    if rng.random() < 0.5:
        mask = np.maximum(mask, blob(picture.shape, start, rng.uniform(3, 14), rng, 0.9))
    return laid_over(picture, mask, float(rng.choice([rng.uniform(0, 0.15), rng.uniform(0.85, 1)])))


KINDS: dict[str, Kind] = {
    kind.__name__: kind
    for kind in (
        crease, surface_loss, holes, abrasion, sticker, ink, pencil, stamp, lettering, tape, water, spots, grazed,
        coloured, torn, cracked_plate, pinned, own_tones,
    )
}  # fmt: skip
"""Every kind of wear by its name."""


def worn(picture: Field, kinds: list[str], rng: np.random.Generator, strength: float) -> Worn:
    """All of `kinds`, one upon the other."""
    gone = np.zeros_like(picture)
    for name in kinds:
        picture, opaque = KINDS[name](picture, rng, strength)
        gone = np.maximum(gone, opaque)
    return picture, gone
