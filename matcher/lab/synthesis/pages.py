"""A flatbed page: 1 to 24 cards in rows, touching or apart, askew, some upside down, fronts and backs mixed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from matcher.core.settings import FaceSize
from matcher.lab.synthesis.backs import card_back
from matcher.lab.synthesis.camera import moved, rectangle
from matcher.lab.synthesis.printing import Card
from matcher.lab.synthesis.staging import Props, Staged, TrueCard, draw_card

PAGE_MM = (216.0, 297.0)
"""The glass of a usual flatbed scanner, a little wider than A4 (ISO 216: 210 x 297 mm)."""


def flatbed_page(props: Props, rng: np.random.Generator, count: int | None = None, dpi: float = 150.0) -> Staged:
    """One page. Rows are filled from the left; gaps run from none (touching) to some millimetres."""
    count = int(rng.integers(1, 25)) if count is None else count
    scale = dpi / 25.4
    page = _lid(scale, rng)
    touching = rng.random() < 0.3
    askew = float(rng.choice([0.0, 0.6, 2.0])) if not touching else 0.3
    columns = 5 if count <= 20 else 6
    width_mm, margin = (40.5, 6.0) if columns == 5 else (35.3, 2.0)
    cards: list[TrueCard] = []
    for number in range(count):
        row, column = divmod(number, columns)
        card = _placed_card(props, rng, scale, columns)
        step = (36.5 if touching and columns == 5 else width_mm), (63.5 if touching else 70.5)
        centre = np.array([margin + step[0] * (column + 0.5), 6 + step[1] * (row + 0.5)])
        if not touching and columns == 5:
            centre += rng.normal(0, 0.7, 2)
        back = rng.random() < 0.15
        card = card_back(card, rng, props.fonts) if back else card
        upside = rng.random() < 0.2
        angle = np.radians(rng.normal(0, askew) if columns == 5 else 0.0) + (np.pi if upside else 0)
        cards.append(_lay(page, card, centre * scale, float(angle), scale, back))
    noise = rng.standard_normal(page.shape[:2], dtype=np.float32) * 1.2
    pixels = np.clip(page + noise[..., None], 0, 255).astype(np.uint8)
    return Staged(pixels, tuple(cards), "page", dpi)


def page_of(cards: Sequence[Card], rng: np.random.Generator, columns: int = 4, dpi: float = 300.0) -> Staged:
    """A page of these cards in rows, apart, each laid by hand: a little askew, some upside down. At most 16 fit."""
    scale = dpi / 25.4
    page = _lid(scale, rng)
    step = (PAGE_MM[0] / columns, 72.0)
    laid: list[TrueCard] = []
    for number, card in enumerate(cards):
        row, column = divmod(number, columns)
        centre = np.array([step[0] * (column + 0.5), 4 + step[1] * (row + 0.5)]) + rng.normal(0, 0.8, 2)
        angle = np.radians(rng.normal(0, 1.0)) + (np.pi if rng.random() < 0.15 else 0)
        laid.append(_lay(page, card, centre * scale, float(angle), scale, back=False))
    noise = rng.standard_normal(page.shape[:2], dtype=np.float32) * 1.2
    pixels = np.clip(page + noise[..., None], 0, 255).astype(np.uint8)
    return Staged(pixels, tuple(laid), "page", dpi)


def mixed_page(props: Props, sizes: Sequence[FaceSize], rng: np.random.Generator, dpi: float = 150.0) -> Staged:
    """A page of cards of several formats (as portrait), shelf by shelf, some lying sideways, some upside down.

    The first size is laid once, as it leaves little room; of the others as many as fit. Each true card's `size_mm` is
    that of the card itself.
    """
    scale = dpi / 25.4
    page = _lid(scale, rng)
    cards: list[TrueCard] = []
    x, y, shelf = 5.0, 5.0, 0.0
    waiting = [sizes[0], *(sizes[1:][int(rng.integers(len(sizes) - 1))] for _ in range(14))]
    for size in waiting:
        sideways = bool(rng.random() < 0.35) and len(cards) > 0
        wide, high = size.card_mm[::-1] if sideways else size.card_mm
        if x + wide + 4 > PAGE_MM[0]:
            x, y, shelf = 5.0, y + shelf + 5.0, 0.0
        if x + wide + 4 > PAGE_MM[0] or y + high + 4 > PAGE_MM[1]:
            continue
        card = draw_card(replace(props, size=size), rng, px_per_mm=max(scale * size.enlarged, 6.0))
        centre = np.array([x + wide / 2, y + high / 2]) + rng.normal(0, 0.5, 2)
        angle = np.radians(rng.normal(0, 0.7)) + (np.pi / 2 if sideways else 0) + (np.pi if rng.random() < 0.15 else 0)
        laid = _lay(page, card, centre * scale, float(angle), scale * size.enlarged, back=False)
        width, height = laid.size_mm
        cards.append(replace(laid, size_mm=(width * size.enlarged, height * size.enlarged)))
        x, shelf = x + wide + float(rng.uniform(4, 9)), max(shelf, high)
    noise = rng.standard_normal(page.shape[:2], dtype=np.float32) * 1.2
    pixels = np.clip(page + noise[..., None], 0, 255).astype(np.uint8)
    return Staged(pixels, tuple(cards), "mixed", dpi)


def _placed_card(props: Props, rng: np.random.Generator, scale: float, columns: int) -> Card:
    card = draw_card(props, rng, px_per_mm=max(scale, 6.0))
    if columns == 6:  # narrower, so that six stand side by side
        keep = round(34.8 * card.px_per_mm)
        start = max(0, (card.pixels.shape[1] - keep) // 2)
        window = np.s_[:, start : start + keep]
        card = replace(
            card, pixels=np.ascontiguousarray(card.pixels[window]), cover=np.ascontiguousarray(card.cover[window])
        )
    return card


def _lid(scale: float, rng: np.random.Generator) -> NDArray[np.float32]:
    tone = float(rng.choice([12, 30, 90, 228, 244]))
    shape = (round(PAGE_MM[1] * scale), round(PAGE_MM[0] * scale))
    return np.asarray(np.full((*shape, 3), tone, np.float32) * np.array([1, 1, 0.985], np.float32))


def _lay(
    page: NDArray[np.float32], card: Card, centre: NDArray[np.float64], angle: float, scale: float, back: bool
) -> TrueCard:
    """The card on the page, in place, with the scanner lamp's thin shadow below it."""
    ratio = scale / card.px_per_mm
    cosine, sine = ratio * np.cos(angle), ratio * np.sin(angle)
    height, width = card.cover.shape
    turn = np.array([[cosine, -sine], [sine, cosine]])
    shift = centre - turn @ np.array([width / 2, height / 2])
    place = np.vstack([np.hstack([turn, shift[:, None]]), [0, 0, 1]])
    corners = moved(place, rectangle((width, height), (width / 2, height / 2)))
    low = np.maximum(np.floor(corners.min(axis=0)) - 6, 0).astype(int)
    high = np.minimum(np.ceil(corners.max(axis=0)) + 6, page.shape[1::-1]).astype(int)
    size = (int(high[0] - low[0]), int(high[1] - low[1]))
    move = np.hstack([turn, (shift - low + turn @ np.array([0.5, 0.5]) - 0.5)[:, None]])
    top = cv2.warpAffine(card.pixels, move, size, flags=cv2.INTER_AREA, borderMode=cv2.BORDER_REPLICATE)
    cover = cv2.warpAffine(card.cover, move, size, flags=cv2.INTER_LINEAR).astype(np.float32)[..., None] / 255
    part = page[low[1] : high[1], low[0] : high[0]]
    thrown = cv2.GaussianBlur(np.roll(cover[..., 0], max(1, round(0.2 * scale)), axis=0), (0, 0), 0.25 * scale)
    part *= (1 - 0.35 * thrown)[..., None]
    part += (top.astype(np.float32) - part) * cover
    size_mm = (width / card.px_per_mm, height / card.px_per_mm)
    return TrueCard(corners, size_mm, np.ones(4, bool), back)
