"""Damage drawn by another hand than `synthesis.wear`, for judging alone: nothing is trained, fitted or tuned on it.

The same signatures as there. Shapes come from level sets of noise, from light on bent paper and from pens that follow
splines, not from walks and blobs, so that what has merely learnt one way of drawing is found out.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont
from scipy.interpolate import CubicSpline

from matcher.lab.synthesis.printing import Card

Field = NDArray[np.float32]
Worn = tuple[Field, Field]


def _over(picture: Field, share: NDArray[np.floating], tone: float | NDArray[np.floating]) -> Worn:
    share = np.clip(share, 0, 1).astype(np.float32)
    return np.clip(picture * (1 - share) + tone * share, 0, 1).astype(np.float32), share


def _noise(shape: tuple[int, ...], rng: np.random.Generator, size: float) -> Field:
    """Smooth noise of standard deviation 1."""
    small = max(2, round(shape[0] / size)), max(2, round(shape[1] / size))
    rough = cv2.resize(rng.normal(0, 1, small).astype(np.float32), shape[::-1], interpolation=cv2.INTER_CUBIC)
    return np.asarray(rough / max(float(rough.std()), 1e-3), np.float32)


def _to_line(shape: tuple[int, ...], rng: np.random.Generator) -> tuple[Field, Field]:
    """Signed distance to a straight line anywhere, and how far along it."""
    rows, columns = np.mgrid[0 : shape[0], 0 : shape[1]].astype(np.float32)
    turn = float(rng.choice([0.0, np.pi / 2]) + rng.normal(0, 0.25))
    x, y = rng.uniform(0.15, 0.85) * shape[1], rng.uniform(0.15, 0.85) * shape[0]
    across = (columns - x) * np.sin(turn) - (rows - y) * np.cos(turn)
    return across.astype(np.float32), ((columns - x) * np.cos(turn) + (rows - y) * np.sin(turn)).astype(np.float32)


def fold(picture: Field, rng: np.random.Generator, strength: float) -> Worn:
    """Folded in two and opened again: light falls otherwise on both sides, the ridge is rubbed down to the paper."""
    across, along = _to_line(picture.shape, rng)
    across = across + 1.5 * _noise(picture.shape, rng, 90)
    tilt = np.tanh(across / 5) * np.exp(-np.abs(across) / 16) * rng.uniform(-0.2, 0.2)
    rubbed = np.exp(-(np.abs(across / (0.7 + 1.6 * strength)) ** 3))
    broken = np.clip(0.9 + 0.5 * np.sin(along / rng.uniform(5, 14)) + 0.4 * _noise(picture.shape, rng, 8), 0, 1)
    return _over(np.clip(picture * (1 + tilt), 0, 1).astype(np.float32), rubbed * broken, rng.uniform(0.75, 1.0))


def bend(picture: Field, rng: np.random.Generator, strength: float) -> Worn:
    """A corner bent over once: a line from side to side of the corner, dark where dirt has settled in it."""
    height, width = picture.shape
    rows, columns = np.mgrid[0:height, 0:width].astype(np.float32)
    columns = columns if rng.random() < 0.5 else width - 1 - columns
    rows = rows if rng.random() < 0.5 else height - 1 - rows
    reach = rng.uniform(90, 200, 2)
    off = (columns / reach[0] + rows / reach[1] - 1) * reach.min() * 0.7
    line = np.exp(-((off / (0.8 + 1.2 * strength)) ** 2))
    return _over(picture, line * rng.uniform(0.7, 1), float(rng.choice([rng.uniform(0.05, 0.25), rng.uniform(0.8, 1)])))


def _level_set(picture: Field, rng: np.random.Generator, radius: float, centre: tuple[float, float]) -> Field:
    """A ragged patch about a point: where noise lies above the distance."""
    rows, columns = np.mgrid[0 : picture.shape[0], 0 : picture.shape[1]].astype(np.float32)
    squeeze = np.exp(rng.normal(0, 0.3))
    far = np.hypot((columns - centre[0]) * squeeze, (rows - centre[1]) / squeeze) / radius
    rough = 0.25 * _noise(picture.shape, rng, radius) + 0.12 * _noise(picture.shape, rng, 6)
    return np.asarray(1 / (1 + np.exp(np.clip((far + rough - 1) * radius / 0.8, -30, 30))), np.float32)


def _anywhere(picture: Field, rng: np.random.Generator) -> tuple[float, float]:
    return float(rng.uniform(0.1, 0.9) * picture.shape[1]), float(rng.uniform(0.1, 0.9) * picture.shape[0])


def flaked(picture: Field, rng: np.random.Generator, strength: float) -> Worn:
    """The print has flaked off its board: bare board with its fibres, the rim curled up and shaded."""
    patch = _level_set(picture, rng, float(rng.uniform(9, 18 + 32 * strength)), _anywhere(picture, rng))
    board = rng.uniform(0.6, 0.95) + 0.02 * _noise(picture.shape, rng, 3)
    lip = cv2.GaussianBlur(patch, (0, 0), 2.5) - cv2.GaussianBlur(patch, (0, 0), 1.0)
    return _over((picture + 0.5 * lip).astype(np.float32), patch, board)


def nail_hole(picture: Field, rng: np.random.Generator, strength: float) -> Worn:
    """Nailed to a wall: a dark round hole, a ring of crushed paper."""
    rows, columns = np.mgrid[0 : picture.shape[0], 0 : picture.shape[1]].astype(np.float32)
    x, y = _anywhere(picture, rng)
    far, radius = np.hypot(columns - x, rows - y), rng.uniform(5, 8 + 8 * strength)
    ring = np.exp(-((far - 1.25 * radius) ** 2) / (0.15 * radius) ** 2)
    crushed, _ = _over(picture, 0.7 * ring, 0.85)
    return _over(crushed, 1 / (1 + np.exp(np.clip((far - radius) * 2, -30, 30))), float(rng.uniform(0, 0.15)))


def corner_gone(picture: Field, rng: np.random.Generator, strength: float) -> Worn:
    """A corner broken off: the table shows."""
    height, width = picture.shape
    corner = float(rng.choice([0, width])), float(rng.choice([0, height]))
    patch = _level_set(picture, rng, float(rng.uniform(35, 60 + 60 * strength)), corner)
    return _over(picture, patch, rng.uniform(0.05, 0.9) + 0.015 * _noise(picture.shape, rng, 5))


def label(picture: Field, rng: np.random.Generator, strength: float) -> Worn:
    """A paper label with a ruled frame and a number in type."""
    width, height = round(rng.uniform(45, 80 + 80 * strength)), round(rng.uniform(32, 50 + 50 * strength))
    paper = Image.new("L", (width, height), int(rng.uniform(170, 250)))
    pen = ImageDraw.Draw(paper)
    pen.rectangle((3, 3, width - 4, height - 4), outline=60, width=int(rng.integers(1, 3)))
    pen.text(
        (width // 2, height // 2), str(rng.integers(2, 9999)), 40, ImageFont.load_default(height // 2), anchor="mm"
    )
    return _stuck(picture, paper, Image.new("L", (width, height), 255), rng)


def round_label(picture: Field, rng: np.random.Generator, strength: float) -> Worn:
    """A round price sticker, blank or with a figure."""
    side = round(rng.uniform(40, 60 + 50 * strength))
    paper = Image.new("L", (side, side), int(rng.uniform(90, 250)))
    if rng.random() < 0.6:
        figure = str(rng.integers(1, 99))
        ImageDraw.Draw(paper).text((side // 2, side // 2), figure, 30, ImageFont.load_default(side // 2), anchor="mm")
    cover = Image.new("L", (side, side), 0)
    ImageDraw.Draw(cover).ellipse((1, 1, side - 2, side - 2), fill=255)
    return _stuck(picture, paper, cover, rng)


def _stuck(picture: Field, paper: Image.Image, cover: Image.Image, rng: np.random.Generator) -> Worn:
    """Paper laid on askew, its edge throwing a fine shadow."""
    turn = float(rng.normal(0, 9))
    pages = [one.rotate(turn, Image.Resampling.BICUBIC, expand=True) for one in (paper, cover)]
    x, y = (int(place) for place in _anywhere(picture, rng))
    whole = [Image.new("L", picture.shape[::-1], 0) for _ in pages]
    for canvas, page in zip(whole, pages, strict=True):
        canvas.paste(page, (x - page.width // 2, y - page.height // 2))
    tone, share = (np.asarray(one, np.float32) / 255 for one in whole)
    share = np.asarray(cv2.GaussianBlur(share, (0, 0), 0.6), np.float32)
    edge = cv2.GaussianBlur(share, (0, 0), 3) * (1 - share)
    return _over((picture * (1 - 0.5 * edge)).astype(np.float32), share, tone)


def _penned(picture: Field, points: NDArray[np.float64], nib: float, rng: np.random.Generator) -> Field:
    """A spline through points, drawn dot by dot with a pen whose pressure changes."""
    steps = np.arange(len(points))
    way = CubicSpline(steps, points)(np.linspace(0, len(points) - 1, 60 * len(points)))
    pressed = 1 + 0.35 * np.sin(np.linspace(0, rng.uniform(8, 30), len(way)))
    page = Image.new("L", (2 * picture.shape[1], 2 * picture.shape[0]), 0)
    pen = ImageDraw.Draw(page)
    for (x, y), force in zip(2 * way, nib * pressed, strict=True):
        pen.ellipse((x - force, y - force, x + force, y + force), fill=255)
    return np.asarray(page.resize(picture.shape[::-1], Image.Resampling.LANCZOS), np.float32) / np.float32(255)


def signature(picture: Field, rng: np.random.Generator, strength: float) -> Worn:
    """A name signed across the picture, in dark or white ink."""
    x, y = _anywhere(picture, rng)
    count, step, tall = int(rng.integers(8, 20)), rng.uniform(6, 9 + 5 * strength), rng.uniform(7, 12 + 10 * strength)
    middle = x - count * step / 2
    loops = np.where(np.arange(count) % 2, 1, -1) * rng.uniform(0.3, 1, count) * tall
    points = np.column_stack([middle + step * np.arange(count) + rng.normal(0, step / 2, count), y + loops])
    strokes = _penned(picture, points, float(rng.uniform(0.9, 2.0)), rng)
    return _over(picture, 0.92 * strokes, float(rng.choice([rng.uniform(0, 0.15), rng.uniform(0.9, 1)], p=[0.8, 0.2])))


def crossed_out(picture: Field, rng: np.random.Generator, strength: float) -> Worn:
    """A cross and a tick in pencil or crayon."""
    x, y = _anywhere(picture, rng)
    arm = rng.uniform(18, 30 + 35 * strength)
    tick = [(arm, 0), (1.3 * arm, arm / 2), (2 * arm, -arm)]
    cross = [(-arm, -arm), (0, 3), (arm, arm)], [(arm, -arm), (2, 0), (-arm, arm)]
    ways = [np.array([x, y]) + np.array(way) for way in (*cross, tick)]
    strokes = np.max([_penned(picture, way, rng.uniform(1, 2.2), rng) for way in ways], axis=0)
    rubbed = np.clip(0.75 + 0.2 * _noise(picture.shape, rng, 4), 0.2, 1)
    return _over(picture, strokes * rubbed, rng.uniform(0.05, 0.35))


def postmark(picture: Field, rng: np.random.Generator, strength: float) -> Worn:
    """A round cancel with a word on its circle and wavy bars beside it."""
    radius = round(rng.uniform(26, 34 + 26 * strength))
    page = Image.new("L", (8 * radius, 4 * radius), 0)
    pen, middle = ImageDraw.Draw(page), 2 * radius
    pen.ellipse((middle - radius, middle - radius, middle + radius, middle + radius), outline=255, width=2)
    word = "".join(rng.choice(list("ABDEGHKLMNORSTU"), int(rng.integers(4, 7))))
    pen.text((middle, middle), word, 255, ImageFont.load_default(max(10, radius // 2)), anchor="mm")
    for bar in range(4):
        across = np.linspace(middle + 1.2 * radius, 7.5 * radius, 60)
        wave = middle + (bar - 1.5) * radius * 0.4 + 3 * np.sin(across / 9)
        pen.line([(float(a), float(b)) for a, b in zip(across, wave, strict=True)], fill=255, width=2)
    turned = page.rotate(float(rng.normal(0, 15)), Image.Resampling.BICUBIC)
    canvas, (x, y) = Image.new("L", picture.shape[::-1], 0), _anywhere(picture, rng)
    canvas.paste(turned, (round(x - 2.5 * radius), round(y - 2 * radius)))
    inked = np.asarray(canvas, np.float32) / 255 * np.clip(0.85 + 0.2 * _noise(picture.shape, rng, 25), 0.2, 1)
    return _over(picture, inked, float(rng.uniform(0.02, 0.3)))


def _grey_nearby(picture: Field, share: Field, rng: np.random.Generator) -> Field:
    """A grey that the picture has, beside the patch or anywhere, sloping a little as paper in slanting light does."""
    beside = (cv2.dilate(share, np.ones((25, 25), np.uint8)) > 0.5) & (share < 0.5)
    greys = picture[beside] if rng.random() < 0.6 and beside.any() else picture.ravel()
    tone = float(np.quantile(greys, rng.uniform(0.05, 0.95)))
    rows, columns = np.mgrid[-1 : 1 : picture.shape[0] * 1j, -1 : 1 : picture.shape[1] * 1j]
    slope = rng.normal(0, 0.04, 2)
    return np.asarray(tone + slope[0] * rows + slope[1] * columns, np.float32)


def scraped(picture: Field, rng: np.random.Generator, strength: float) -> Worn:
    """Scraped down with a knife to a grey like the picture's own, fibres standing up one way."""
    patch = _level_set(picture, rng, float(rng.uniform(7, 20 + 50 * strength)), _anywhere(picture, rng))
    fibres = cv2.blur(_noise(picture.shape, rng, 1.5), (int(rng.integers(1, 12)), 1))
    return _over(picture, patch * rng.uniform(0.75, 1), _grey_nearby(picture, patch, rng) + 0.02 * fibres)


def painted_out(picture: Field, rng: np.random.Generator, strength: float) -> Worn:
    """Something painted or pasted out in body colour of the picture's own grey: a box, an oval, a wedge, a stripe."""
    wide, tall = (round(side) for side in rng.uniform(15, 40 + 150 * strength, 2))
    page = Image.new("L", (2 * wide, 2 * tall), 0)
    pen, whole = ImageDraw.Draw(page), (1, 1, 2 * wide - 2, 2 * tall - 2)
    shape = int(rng.integers(4))
    if shape == 0:
        pen.rounded_rectangle(whole, radius=int(rng.integers(0, min(wide, tall))), fill=255)
    elif shape == 1:
        pen.ellipse(whole, fill=255)
    elif shape == 2:
        pen.polygon([(float(x), float(y)) for x, y in rng.uniform(0, 1, (3, 2)) * [2 * wide, 2 * tall]], fill=255)
    else:
        pen.rectangle((0, round(0.7 * tall), 2 * wide, round(1.3 * tall)), fill=255)
    turned = page.rotate(float(rng.normal(0, 25)), Image.Resampling.BICUBIC, expand=True)
    turned = turned.resize((max(2, turned.width // 2), max(2, turned.height // 2)), Image.Resampling.LANCZOS)
    canvas, (x, y) = Image.new("L", picture.shape[::-1], 0), _anywhere(picture, rng)
    canvas.paste(turned, (round(x - turned.width / 2), round(y - turned.height / 2)))
    share = np.asarray(canvas, np.float32) / np.float32(255)
    share = np.asarray(cv2.blur(share, (1 + 2 * int(rng.integers(0, 4)),) * 2), np.float32)
    brushed = 0.012 * _noise(picture.shape, rng, 2) + 0.02 * _noise(picture.shape, rng, 12)
    return _over(picture, share, _grey_nearby(picture, share, rng) + brushed * rng.uniform(0, 1))


OTHER_KINDS: dict[str, Callable[[Field, np.random.Generator, float], Worn]] = {
    kind.__name__: kind
    for kind in (
        fold, bend, flaked, nail_hole, corner_gone, label, round_label, signature, crossed_out, postmark,
        scraped, painted_out,
    )
}  # fmt: skip
"""Every kind by its name."""


FARTHEST = 48.0
"""Levels of 255 by which what lies upon a card differs from it in red and blue, where its colour is all its own."""


def hurt_otherwise(card: Card, kind: str, colour: float, rng: np.random.Generator) -> Card:
    """The card with one damage upon it; colour: from 0, the print's own, to 1."""
    pixels, _ = discoloured(card.pixels, kind, FARTHEST * colour, rng)
    return replace(card, pixels=pixels)


def discoloured(
    picture: NDArray[np.uint8], kind: str, distance: float, rng: np.random.Generator
) -> tuple[NDArray[np.uint8], Field]:
    """A picture, (h, w, 3) RGB, with one damage that lies so many levels off its colour, and the share of it that is
    covered or lost, (h, w) 0..1."""
    green = picture[..., 1].astype(np.float32) / np.float32(255)
    after, share = OTHER_KINDS[kind](green, rng, float(rng.uniform(0.3, 1)))
    way = float(rng.uniform(0, 2 * np.pi))
    off = distance * np.array([np.cos(way), 0.0, np.sin(way)])
    toned = picture + (255 * (after - green))[..., None]
    return np.clip(np.rint(toned + share[..., None] * off), 0, 255).astype(np.uint8), share
