"""What lies upon a card or has soaked into it: labels, patches, ink, tape, stamps, print, water and mould.

Some of it is in the very tones of the picture: what is as grey as its surroundings is told by its outline alone, and is
most easily taken for something that has moved.
"""

from __future__ import annotations

import cv2
import numpy as np

from matcher.lab.synthesis.shapes.sheet import Points, blurred, filled, inward, turned
from matcher.lab.synthesis.shapes.worn_sheet import WornSheet


def labels(card: WornSheet) -> None:
    """Stuck-on paper with its shadow, white, tinted or in a tone of the picture, now and then ruled and lettered."""
    paper = card.matter(0)
    for points in card.scattered(3, 3)[:3]:
        mask = filled(card.shape, [points])
        card.relief(mask, card.mm * card.between(0.1, 0.4), 0.6)
        tone = card.rng.choice([card.between(0.85, 1), card.between(0.2, 0.85), card.tone()])
        card.lay(mask, paper + np.float32(tone))
        if card.chance() < 0.5:
            continue
        border = card.mm * 0.15 + 0.5 - np.abs(inward(mask) - card.mm * card.between(0.3, 1.2))
        low, span = points.min(0), np.ptp(points, 0)
        letters = card.strokes(card.text(low + span * 0.25, span[1] * card.between(0.1, 0.4), 6), card.mm * 0.12)
        printed = np.clip(border, 0, 1) * card.rng.integers(2), letters * mask * card.rng.integers(2)
        card.lay(np.maximum(*printed).astype(np.float32), card.between(0, 0.5))


def patches(card: WornSheet) -> None:
    """Flat in exactly the greys of the picture, or a scrap of another place of it; sharp or soft."""
    tones, cuts = card.elsewhere(), card.scattered(1, 5, 25)
    for rim in [np.round(points * 16).astype(np.int32) for points in cuts] if card.chance() < 0.75 else []:
        tone, wide = card.tone(), int(card.mm) + 3
        cv2.fillPoly(tones, [rim], tone, cv2.LINE_8, 4)
        cv2.polylines(tones, [rim], True, tone, wide, cv2.LINE_8, 4)
    mask = filled(card.shape, cuts)
    soft = inward(mask) / np.float32(card.mm * card.size_between(0.2, 1.5)) + 0.3
    card.lay(mask if card.chance() < 0.6 else soft, tones)


def penmanship(card: WornSheet) -> None:
    """Scribbles and lines of invented letters, by a pen, a pencil, a brush or a point that only dents."""
    paths: list[Points] = []
    for _ in card.few(3, 8):
        start, reach, bends = card.between(0, 1, 2) * card.size, card.up_to(1.2, 14), int(card.rng.integers(2, 24))
        scribble = [card.pen(start, reach, bends, card.between(0.4, 2.5))]
        paths += scribble if card.chance() < 0.5 else card.text(start, reach, bends // 2)
    card.ink(card.strokes(paths, card.mm * card.size_between(0.1, 0.9), 0.4), card.chance() < 0.8)


def tape(card: WornSheet) -> None:
    """Strips with saw-cut ends: clear, covering, or gone with their glue left behind."""
    glue, blobs = card.matter(card.between(0.35, 1)), card.texture(0.3, 4)
    for _ in card.few(1.5, 3):
        half, long, y = card.mm * card.size_between(1, 8), card.up_to(5, 70), np.linspace(-1, 1, 15)
        ends = np.column_stack([long / 2 + (np.arange(15) % 2) * card.mm * card.between(0, 1), y * half])
        strip = turned(np.vstack([ends, -ends]), card.rng.choice([0, np.pi / 2, card.between(0, 6.3)]))
        mask = filled(card.shape, [strip + card.between(0, 1, 2) * card.size])
        uneven = blobs * card.between(0.05, 2) + float(card.rng.choice([0.2, 0.5, 3]))
        card.lay(mask * np.clip(uneven, 0.05, card.between(0.4, 1)), glue)
        rim = np.exp(-np.abs(inward(mask)) / np.float32(0.2 * card.mm))
        card.shade(np.maximum(rim, mask * np.float32(0.6)), card.between(0, 0.45))


def stamps(card: WornSheet) -> None:
    """An outline twice and letters bent along it."""
    for _ in card.few(1.2, 3):
        size, centre, rim = card.up_to(3, 14), card.between(0.05, 0.95, 2) * card.size, card.outline()
        closed = np.vstack([rim, rim[:1]]) * size
        paths = [closed, closed * card.between(0.55, 0.95), *card.text(np.array([-size * 0.4, 0]), size * 0.2, 4)]
        for x, y in (stroke.T for stroke in card.text(np.zeros(2), 0.25, int(card.rng.integers(6, 24)))):
            paths.append(np.column_stack([np.cos(x * 1.1), np.sin(x * 1.1)]) * (0.85 - y[:, None]) * size)
        card.ink(card.strokes([path + centre for path in paths], size * card.between(0.03, 0.07)), card.chance() < 0.8)


def lettering(card: WornSheet) -> None:
    """Lines of print, dark or light, on a band or without."""
    y, dark = card.between(0, card.size[1]), card.chance() < 0.5
    for _ in card.few(2, 5):
        height, count, x = card.up_to(1, 10), int(card.rng.integers(3, 18)), card.between(-0.1, 0.7) * card.size[0]
        band = np.array([[0, -0.3], [count, -0.3], [count, 1.4], [0, 1.4]]) * height + (x, y)
        if card.chance() < 0.35:
            card.lay(filled(card.shape, [band]), card.matter(0.9 if dark else 0.1))
        letters = card.strokes(card.text(np.array([x, y]), height, count), height * card.size_between(0.06, 0.25))
        card.lay(letters * np.float32(card.between(0.75, 1)), card.between(0, 0.2) if dark else card.between(0.85, 1))
        y = (y + height * card.between(1.5, 4)) % card.size[1]


def water(card: WornSheet) -> None:
    """Stains with the lines where water stood, one within the other: dark outward, fading inward."""
    for _ in card.few(1.5, 2):
        pool = card.halves(4) if card.chance() < 0.3 else filled(card.shape, card.scattered(4, 4, 50))
        far = inward(pool) + np.float32(card.mm * card.between(0.2, 1)) * card.texture(0.6, 6)
        depth = np.clip(far / card.mm + 0.5, 0, 1) * np.float32(card.between(-0.2, 0.35))
        for back in np.cumsum(card.between(0, 5, card.rng.integers(1, 4))).astype(np.float32) * card.mm:
            fall = np.where(far > back, card.mm * card.size_between(0.4, 4), 0.1 * card.mm)
            line = np.exp(-np.abs(far - back) / fall)
            depth = np.maximum(depth, line.astype(np.float32) * np.float32(card.between(0.3, 0.9)))
        card.shade(depth, 0.5 + 0.5 * card.strength, 0.4)


def mould(card: WornSheet) -> None:
    """Foxing in soft spots, and threads that grow from where the mould settled."""
    spots, middle, spread = np.zeros(card.shape, np.float32), card.between(0, 1, 2), card.rng.choice([0.1, 0.3, 2.0])
    for _ in card.few(60, 90):
        place = np.mod(middle + card.rng.normal(0, spread, 2), 1) * card.size
        rim = (card.superformula(24) * card.up_to(0.3, 4) + place).astype(np.int32)
        cv2.fillPoly(spots, [rim], card.between(0.2, 0.9))
    card.shade(blurred(spots, card.mm * card.size_between(0.1, 0.8)), card.between(0.5, 1), 0.4)
    seats, reach = card.between(0, 1, (3, 2)) * card.size, card.up_to(0.3, 2)
    fuzz = card.strokes([card.pen(seats[i % 3], reach, 5) for i in card.few(50, 90)], card.mm * 0.15)
    fuzz = np.maximum(fuzz, np.float32(0.8) * blurred(fuzz, card.mm * 0.4))
    card.lay(fuzz * np.float32(card.rng.choice([0, 0.6, 1])), card.rng.choice([0.1, 0.7, 0.9]))
