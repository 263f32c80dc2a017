"""Frames as issuers set their marks in, drawn in many ways: rules round a line, labels under it, ribbons.

A sheet and where the line's letters will stand in, the sheet with the frame on it and the tone of those letters out.
What is drawn here shares nothing with the frames of `line_drawing`, by which marks are reported on.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from matcher.lab.synthesis.wording import MarkForm

Floats = NDArray[np.float32]
Points = NDArray[np.float64]

FINE = 4
"""Corners are placed to a quarter of a pixel: OpenCV's two fractional bits."""


@dataclass(frozen=True)
class FramedGround:
    """A sheet, 0..1, with a frame on it, and the tone in which the letters in it are printed."""

    sheet: Floats
    letters: float


def with_frame(
    sheet: Floats, box: tuple[float, float, float, float], form: MarkForm, ink: float, rng: np.random.Generator
) -> FramedGround:
    """The sheet with a frame of one form. box: of the letters' ink, pixels. ink: tone of print on this ground, 0..1."""
    high = box[3] - box[1]
    round_ = high * rng.uniform(0.18, 0.6, 2) * np.array([rng.uniform(1.0, 2.2), 1.0])
    outer = np.array([box[0] - round_[0], box[1] - round_[1], box[2] + round_[0], box[3] + round_[1]])
    thick = max(1, round(high * float(rng.uniform(0.05, 0.16))))
    if form == "ribbon":
        return _ribbon(sheet, outer, ink, thick, rng)
    if form == "line":
        return FramedGround(_beside(sheet, outer, ink, thick, rng), ink)
    outline = _box(outer, rng) if form == "box" else _oval(outer, rng)
    label = 1 - ink if rng.random() < 0.2 else None  # pasted on, or left white in the picture
    drawn = _filled(sheet, outline, label) if label is not None else sheet
    drawn = _ruled(drawn, outline, ink, thick)
    if rng.random() < 0.3:  # a second rule outside the first
        gap = thick + max(1.5, high * float(rng.uniform(0.08, 0.2)))
        drawn = _ruled(drawn, _grown(outline, gap), ink, max(1, round(thick * float(rng.uniform(0.5, 1.5)))))
    return FramedGround(drawn, ink)


def _beside(sheet: Floats, outer: NDArray[np.float64], ink: float, thick: int, rng: np.random.Generator) -> Floats:
    """What stands by a line that is in no frame: a rule below it, an ornament at its ends, an edge of the picture."""
    left, top, right, bottom = outer
    drawn, kind = sheet, rng.random()
    if kind < 0.12:
        rule = [[left, bottom], [right, bottom]]
        drawn = _ruled(drawn, np.array(rule), ink, thick, closed=False)
    elif kind < 0.2:
        y = (top + bottom) / 2
        for x, way in ((left, -1), (right, 1)):
            drawn = _ruled(drawn, np.array([[x, y], [x + way * 1.5 * (bottom - top), y]]), ink, thick, closed=False)
    elif kind < 0.4:
        edge = round(float(rng.choice([top, bottom]) + rng.uniform(-1, 1) * 0.2 * (bottom - top)))
        drawn = drawn.copy()
        part = slice(None, max(0, edge)) if rng.random() < 0.5 else slice(max(0, edge), None)
        beyond = np.asarray(drawn[part] + rng.uniform(-0.35, 0.35), np.float32)
        drawn[part] = np.clip(beyond, 0, 1) if abs(edge - (top + bottom) / 2) > 0.4 * (bottom - top) else drawn[part]
    elif kind < 0.46:
        for x in (left, right):
            drawn = _ruled(drawn, np.array([[x, top], [x, bottom]]), ink, thick, closed=False)
    return drawn


def _box(outer: NDArray[np.float64], rng: np.random.Generator) -> Points:
    """(n, 2): four corners, sharp, cut off, or rounded out or in."""
    left, top, right, bottom = outer
    corners = np.array([[left, top], [right, top], [right, bottom], [left, bottom]])
    if rng.random() < 0.5:
        return corners
    radius = (bottom - top) * float(rng.uniform(0.12, 0.35))
    kind = str(rng.choice(["cut", "round", "hollow"]))
    points = []
    for n, corner in enumerate(corners):
        inward = np.sign(corners[(n + 2) % 4] - corner)
        before, after = (np.sign(corners[(n + way) % 4] - corner) * radius for way in (-1, 1))
        turn = np.linspace(0, np.pi / 2, 2 if kind == "cut" else 7)[:, None]
        if kind == "hollow":
            points.append(corner + before * np.cos(turn) + after * np.sin(turn))
        else:
            middle = corner + inward * radius
            points.append(middle - after * np.cos(turn) - before * np.sin(turn))
    return np.concatenate(points)


def _oval(outer: NDArray[np.float64], rng: np.random.Generator) -> Points:
    """(n, 2): an ellipse round the letters, or the lens that two arcs make."""
    left, top, right, bottom = outer
    middle, half = np.array([left + right, top + bottom]) / 2, np.array([right - left, bottom - top]) / 2
    half = half * [float(rng.uniform(1.0, 1.12)), float(rng.uniform(1.1, 1.5))]
    turn = np.linspace(0, 2 * np.pi, 64, endpoint=False)
    power = 1.0 if rng.random() < 0.7 else float(rng.uniform(0.75, 1.3))
    across, down = (np.sign(wave) * np.abs(wave) ** power for wave in (np.cos(turn), np.sin(turn)))
    return np.asarray(middle + half * np.column_stack([across if power < 1 else np.cos(turn), down]), np.float64)


def _ribbon(
    sheet: Floats, outer: NDArray[np.float64], ink: float, thick: int, rng: np.random.Generator
) -> FramedGround:  # fmt: skip
    """A band with ends notched, pointed or folded behind it; filled with ink, or with paper within a rule."""
    left, top, right, bottom = outer
    high, middle = bottom - top, (top + bottom) / 2
    far, kind = high * float(rng.uniform(0.3, 0.9)), str(rng.choice(["notched", "pointed", "folded"]))
    filled = kind == "pointed" or bool(rng.random() < 0.6)  # within a rule that would be a box with its corners cut off
    inside, rule = (ink, None) if filled else (1 - ink if rng.random() < 0.7 else None, ink)
    drawn = sheet
    if kind == "folded":
        drop = high * float(rng.uniform(0.25, 0.5)) * float(rng.choice([-1, 1]))
        for x, way in ((left, -1.0), (right, 1.0)):
            tail = np.array([[x - way * 0.4 * far, top], [x + way * far, top], [x + way * 0.5 * far, middle],
                             [x + way * far, bottom], [x - way * 0.4 * far, bottom]])  # fmt: skip
            drawn = _laid(drawn, tail + np.array([0, drop]), inside, rule if rule is not None else 1 - ink, thick)
        band = np.array([[left, top], [right, top], [right, bottom], [left, bottom]])
    else:
        reach = far if kind == "notched" else 0.0
        tip = 0.0 if kind == "notched" else far
        band = np.array([[left - reach, top], [right + reach, top], [right + tip, middle], [right + reach, bottom],
                         [left - reach, bottom], [left - tip, middle]])  # fmt: skip
    if rng.random() < 0.3:
        band = _waved(band, high * float(rng.uniform(-0.15, 0.15)))
    drawn = _laid(drawn, band, inside, rule, thick)
    return FramedGround(drawn, 1 - ink if filled else ink)


def _waved(points: Points, by: float) -> Points:
    """A band that hangs through or bulges, its letters still level."""
    ends = np.linspace(0, 1, 16)[:, None]
    dense = np.concatenate(
        [one + (other - one) * ends for one, other in zip(points, np.roll(points, -1, 0), strict=True)]
    )
    middle, half = (dense[:, 0].max() + dense[:, 0].min()) / 2, np.ptp(dense[:, 0]) / 2
    dense[:, 1] += by * (1 - ((dense[:, 0] - middle) / half) ** 2)
    return np.asarray(dense, np.float64)


def _laid(sheet: Floats, outline: Points, inside: float | None, rule: float | None, thick: int) -> Floats:
    drawn = sheet if inside is None else _filled(sheet, outline, inside)
    return drawn if rule is None else _ruled(drawn, outline, rule, thick)


def _grown(outline: Points, by: float) -> Points:
    """The same so many pixels farther out."""
    middle = (outline.max(axis=0) + outline.min(axis=0)) / 2
    half = np.ptp(outline, axis=0) / 2
    return np.asarray(middle + (outline - middle) * (half + by) / half, np.float64)


def _filled(sheet: Floats, outline: Points, tone: float) -> Floats:
    mask = np.zeros(sheet.shape, np.uint8)
    cv2.fillPoly(mask, [_fixed(outline)], 255, cv2.LINE_AA, FINE_BITS)
    share = np.asarray(mask / np.float32(255), np.float32)
    return np.asarray(sheet + (np.float32(tone) - sheet) * share, np.float32)


def _ruled(sheet: Floats, outline: Points, tone: float, thick: int, closed: bool = True) -> Floats:
    mask = np.zeros(sheet.shape, np.uint8)
    cv2.polylines(mask, [_fixed(outline)], closed, 255, thick, cv2.LINE_AA, FINE_BITS)
    share = np.asarray(mask / np.float32(255), np.float32)
    return np.asarray(sheet + (np.float32(tone) - sheet) * share, np.float32)


FINE_BITS = 2


def _fixed(points: Points) -> NDArray[np.int32]:
    return np.asarray(np.rint(points * FINE), np.int32)
