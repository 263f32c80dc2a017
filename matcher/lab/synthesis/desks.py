"""Desks seen as small as a card is first looked for: cards of any format among whatever lies about, drawn quickly.

Props and an rng in, `Desk`s out: a small picture and every card's true corners. Other than `staging`, which measures,
this varies everything at once, several cards a scene, and keeps what is costly (cards, holders, grounds, clutter) for
some scenes, each time seen otherwise: tones, light, place and camera are new each time.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import TypeVar

import cv2
import numpy as np
from numpy.typing import NDArray

from matcher.core.formats import PRESETS, face_of
from matcher.core.settings import FaceSize
from matcher.lab.synthesis.backdrops import BACKDROPS, colour, newsprint, photograph_of
from matcher.lab.synthesis.backs import card_back
from matcher.lab.synthesis.camera import Camera, moved, rectangle
from matcher.lab.synthesis.clutter import PX_PER_MM, THINGS, Thing, thing
from matcher.lab.synthesis.holders import HOLDERS, Box
from matcher.lab.synthesis.holders import PX_PER_MM as HOLDER_PX_PER_MM
from matcher.lab.synthesis.photographing import blend, lay, sampled
from matcher.lab.synthesis.plain_cards import plain_card
from matcher.lab.synthesis.printing import Card
from matcher.lab.synthesis.props import SLEEVE_PX_PER_MM, glare, hold, light, sleeve
from matcher.lab.synthesis.scene import SURFACES, Scene
from matcher.lab.synthesis.staging import Props, draw_card
from matcher.lab.synthesis.surfaces import surface

Picture = NDArray[np.uint8]
T = TypeVar("T")
_Layer = tuple[Picture, Box, float]
"""(h, w, 4) uint8 RGB and cover, the box in mm that it takes, and its pixels a mm."""

CARD_PX_PER_MM = 5.0
HOLDER_SCALE = 4.0
GROUND_PX = 720
KEPT_CARDS, KEPT_GROUNDS, KEPT_THINGS = 60, 36, 60
"""How many are kept at once; with each desk one of each is drawn anew, by turns."""

FRAMED, FRAMED_SHARES = ("cut", "within", "rim", "page"), (0.15, 0.3, 0.2, 0.35)
"""How a picture is cut to its card, and how often."""

GROUNDS = (
    *SURFACES, "news", "plaid", "ruled", "sheet", "rectangles", "photo", "photo", "lid", "even", "tiles", "shirt",
    "box",
)  # fmt: skip

PLAIN = 0.28
"""Share of cards with no photograph on them, by another hand."""


@dataclass(frozen=True)
class Desk:
    """pixels: (h, w, 3) uint8 RGB. cards: (n, 4, 2) float64 true corners, TL TR BR BL of each card, in its pixels."""

    pixels: Picture
    cards: NDArray[np.float64]


@dataclass(frozen=True)
class _Kept:
    """A card with what it is kept in. layers: under and over it, each with its box in mm."""

    card: Card
    under: _Layer | None = None
    over: _Layer | None = None


@dataclass
class DeskDrawer:
    """Endless desks. long_side: of the pictures, pixels."""

    props: Props
    rng: np.random.Generator
    long_side: int = 384
    cards: list[_Kept] = field(default_factory=list)
    grounds: list[tuple[Picture, float]] = field(default_factory=list)
    things: list[Thing] = field(default_factory=list)
    drawn: int = 0

    def desk(self) -> Desk:
        """The next one."""
        self._renew()
        self.drawn += 1
        kind = self.rng.random()
        if kind < 0.16:
            return self._framed()
        if kind < 0.3:
            return self._photographed([], True)
        if kind < 0.4:
            return self._photographed(self._rows(), False)
        if kind < 0.54:
            return self._photographed(self._scattered(int(self.rng.integers(2, 7))), True)
        return self._photographed([(self._card(), np.eye(3))], True)

    def _renew(self) -> None:
        """By turns one card, ground or thing anew; at first some of each."""
        turn = self.drawn % 6
        if turn in (0, 3) or len(self.cards) < 8:
            _replaced(self.cards, self._new_card(), KEPT_CARDS, self.rng)
        if turn == 1 or len(self.grounds) < 8:
            _replaced(self.grounds, self._new_ground(), KEPT_GROUNDS, self.rng)
        if turn == 4 or len(self.things) < 8:
            kind = str(self.rng.choice(list(THINGS)))
            _replaced(self.things, thing(kind, self.props.backgrounds, self.rng), KEPT_THINGS, self.rng)

    def _new_card(self) -> _Kept:
        rng = self.rng
        card = self._any_card(any_size(rng))
        kind = rng.random()
        if kind < 0.45:
            return _Kept(card)
        if kind < 0.55:
            sheen, box = sleeve(card.size_mm, rng)
            veil = np.dstack([np.full((*sheen.shape, 3), 252, np.uint8), sheen])
            return _Kept(card, None, _smaller(veil, box, SLEEVE_PX_PER_MM))
        if kind < 0.7:
            return _Kept(card, *stiff_holder(card.size_mm, rng))
        holder = HOLDERS[str(rng.choice(list(HOLDERS)))](card.size_mm, rng)
        layers = (_smaller(layer, holder.box, HOLDER_PX_PER_MM) for layer in (holder.under, holder.over))
        return _Kept(card, *layers)

    def _any_card(self, size: FaceSize) -> Card:
        """A print of a photograph, something else, or seen from behind."""
        rng = self.rng
        if rng.random() < PLAIN:
            return plain_card((size.width_mm, size.height_mm), rng, CARD_PX_PER_MM)
        contrast = None if rng.random() < 0.7 else float(rng.uniform(0.06, 0.3))
        card = draw_card(replace(self.props, size=size), rng, contrast, CARD_PX_PER_MM)
        return card_back(card, rng, self.props.fonts) if rng.random() < 0.08 else card

    def _new_ground(self) -> tuple[Picture, float]:
        """A texture and its pixels a mm."""
        rng, side = self.rng, GROUND_PX
        kind, scale = str(rng.choice(GROUNDS)), float(np.exp(rng.uniform(np.log(1.5), np.log(8))))
        if kind == "photo":
            return photograph_of(_any(self.props.backgrounds, rng), side, side, rng), scale
        if kind == "news":
            picture = _any(self.props.backgrounds, rng) if rng.random() < 0.5 else None
            return newsprint(side, side, scale, rng, picture), scale
        if kind in THINGS:  # so near that nothing else is seen
            picture = thing(kind, self.props.backgrounds, rng).layer[..., :3]
            return cv2.resize(picture, (side, side), interpolation=cv2.INTER_LINEAR).astype(np.uint8), scale
        if kind == "lid":
            tone = float(rng.choice([8, 30, 90, 228, 246]) + rng.normal(0, 4))
            return np.full((side, side, 3), np.clip(tone, 0, 255), np.uint8), scale
        if kind == "even":
            return np.broadcast_to(colour(rng, 5, 250, 30), (side, side, 3)).astype(np.uint8), scale
        if kind in BACKDROPS:
            return BACKDROPS[kind](side, side, scale, rng), scale
        return surface(kind, side, side, scale, rng, _any(self.props.fonts, rng)), scale  # type: ignore[arg-type]

    def _card(self) -> _Kept:
        """One of those kept, its print's tones changed a little."""
        kept = _any(self.cards, self.rng)
        gain, offset = float(np.exp(self.rng.normal(0, 0.12))), self.rng.normal(0, 8) + self.rng.normal(0, 3, 3)
        if self.rng.random() < 0.12:  # bleached until hardly a tone is left
            gain = float(self.rng.uniform(0.3, 0.8))
            offset = np.array([243, 240, 232]) - self.rng.uniform(0, 12) - gain * kept.card.pixels.mean((0, 1))
        pixels = np.clip(kept.card.pixels * np.float32(gain) + offset.astype(np.float32), 0, 255).astype(np.uint8)
        return replace(kept, card=replace(kept.card, pixels=pixels))

    def _scattered(self, count: int) -> list[tuple[_Kept, NDArray[np.float64]]]:
        """Cards anywhere, none over another."""
        laid: list[tuple[_Kept, NDArray[np.float64]]] = []
        reach = 32 * np.sqrt(count) + 10
        taken: list[NDArray[np.float32]] = []
        for _ in range(6 * count):
            one = self._card() if self.rng.random() < 0.4 else _Kept(self._card().card)
            x, y = (float(mm) for mm in self.rng.uniform(-reach, reach, 2))
            place = _placed(x, y, float(self.rng.uniform(0, 2 * np.pi)))
            outline = moved(place, rectangle(_extent(one))).astype(np.float32)
            if len(laid) < count and not any(cv2.intersectConvexConvex(outline, other)[0] > 0 for other in taken):
                laid.append((one, place))
                taken.append(outline)
        return laid

    def _rows(self) -> list[tuple[_Kept, NDArray[np.float64]]]:
        """Cards in rows, apart or touching, a little askew; of one format or of several."""
        rng, laid = self.rng, []
        gap = float(rng.choice([0.0, 0.4, 3.0, 8.0]))
        askew, mixed = float(rng.choice([0.0, 0.3, 1.5])), rng.random() < 0.5
        columns, rows = (int(v) for v in rng.integers(1, 6, 2))
        first = self._card().card
        y = 0.0
        for _ in range(rows):
            x, deepest = 0.0, 0.0
            for _ in range(columns):
                card = self._card().card
                card = card if mixed or abs(card.size_mm[0] - first.size_mm[0]) < 3 else first
                wide, high = card.size_mm
                turn = np.radians(rng.normal(0, askew)) + np.pi * (rng.random() < 0.2)
                laid.append((_Kept(card), _placed(x + wide / 2, y + high / 2, float(turn))))
                x, deepest = x + wide + gap, max(deepest, high)
            y += deepest + gap
        middle = np.mean([place[:2, 2] for _, place in laid], axis=0)
        for _, place in laid:
            place[:2, 2] -= middle
        return laid

    def _photographed(self, laid: Sequence[tuple[_Kept, NDArray[np.float64]]], by_hand: bool) -> Desk:
        rng = self.rng
        extent = 63.5 * float(rng.uniform(0.6, 3.0)) if not laid else _reach(laid)
        size_mm = laid[0][0].card.size_mm if len(laid) == 1 else (extent, extent)
        camera, scene = self._camera(size_mm, by_hand, len(laid) < 2)
        picture = self._ground(camera)
        for _ in range(int(rng.choice([0, 0, 1, 2, 4, 7] if laid else [0, 1, 2, 3, 5, 8]))):
            self._lay_thing(picture, camera, extent)
        outlines = [moved(place, rectangle(one.card.size_mm)) for one, place in laid]
        for (one, place), outline in zip(laid, outlines, strict=True):
            self._lay_card(picture, camera, one, place)
            if rng.random() < 0.08:
                hold(picture, camera, outline, int(rng.integers(4)), rng)
        about = outlines[0] if outlines else rectangle((extent, extent))
        lamp = glare(camera, about, float(rng.uniform(0.4, 1.0)) if rng.random() < 0.12 else 0.0, rng)
        picture = _seen(picture, light(camera, scene.shadow, rng), lamp, scene, rng)
        return self._small(Desk(picture, np.array([camera.project(one) for one in outlines]).reshape(-1, 4, 2)))

    def _camera(self, size_mm: tuple[float, float], by_hand: bool, one: bool) -> tuple[Camera, Scene]:
        rng = self.rng
        long = round(self.long_side * float(rng.uniform(1.0, 1.3)))
        short = round(long * float(rng.choice([9 / 16, 2 / 3, 3 / 4, 3 / 4, 4 / 5, 1.0])))
        width, height = (long, short) if rng.random() < 0.45 else (short, long)
        sizes = (rng.uniform(0.15, 0.35), rng.uniform(0.3, 0.9), rng.uniform(0.85, 1.02))
        share = float(rng.choice(sizes, p=[0.25, 0.6, 0.15]) if one else rng.uniform(0.6, 1.05))
        turned = rng.random() < 0.25
        rotation = float(rng.uniform(0, 360) if turned else rng.choice([0, 0, 90, 180, 270]) + rng.normal(0, 6))
        aside = rng.uniform(-0.5, 0.5, 2) * max(0.05, 1 - share)
        flat = not by_hand and rng.random() < 0.7
        scene = Scene(
            width=width, height=height, share=share,
            tilt=0.0 if flat else min(44.0, float(abs(rng.normal(0, 11)))),
            tilt_towards=float(rng.uniform(0, 360)), rotation=0.0 if flat else rotation,
            offset=(float(aside[0]), float(aside[1])),
            shadow=0.0 if flat else float(rng.uniform(0, 1) ** 2), blur=float(rng.uniform(0, 1.2)),
            noise=float(rng.uniform(0, 3)), exposure=float(rng.normal(0, 0.3)), warmth=float(rng.uniform(-0.8, 0.8)),
            distortion=float(rng.uniform(-0.004, 0.012)),
        )  # fmt: skip
        return Camera.over(scene, size_mm), scene

    def _ground(self, camera: Camera) -> Picture:
        """One of the textures kept, at any turn, its colours moved."""
        rng = self.rng
        texture, scale = _any(self.grounds, rng)
        scale *= float(np.exp(rng.normal(0, 0.25)))
        turn = float(rng.choice([0.0, rng.uniform(0, 2 * np.pi)]))
        cosine, sine = scale * np.cos(turn), scale * np.sin(turn)
        x, y = rng.uniform(0, GROUND_PX, 2)
        maps = camera.sampling(
            (0, 0, camera.width, camera.height), np.array([[cosine, -sine, x], [sine, cosine, y], [0, 0, 1]])
        )
        found = sampled(texture, maps, cv2.BORDER_REFLECT)
        gains = (1 + rng.normal(0, 0.06, 3)).astype(np.float32)
        return np.asarray(np.clip(found * gains, 0, 255), np.uint8)

    def _lay_thing(self, picture: Picture, camera: Camera, extent: float) -> None:
        one, rng = _any(self.things, self.rng), self.rng
        reach = 0.9 * extent + 60
        turn = (
            float(rng.choice([0.0, np.pi / 2]) + rng.normal(0, 0.1))
            if rng.random() < 0.5
            else float(rng.uniform(0, 6.3))
        )
        x, y = (float(mm) for mm in rng.uniform(-reach, reach, 2))
        place = _placed(x, y, turn)
        card = Card(np.ascontiguousarray(one.layer[..., :3]), np.ascontiguousarray(one.layer[..., 3]), PX_PER_MM)
        if one.high:
            lay(picture, camera, card, place, rng)
        else:
            _cover(picture, camera, one.layer, place, (-one.size_mm[0] / 2, -one.size_mm[1] / 2), PX_PER_MM)

    def _lay_card(self, picture: Picture, camera: Camera, one: _Kept, place: NDArray[np.float64]) -> None:
        if one.under is not None:
            layer, box, scale = one.under
            _cover(picture, camera, layer, place, box[:2], scale)
        lay(picture, camera, one.card, place, self.rng)
        if one.over is not None:
            layer, box, scale = one.over
            _cover(picture, camera, layer, place, box[:2], scale)

    def _framed(self) -> Desk:
        """The picture is the card: cut to it, or within it, or with a rim of lid, or in a viewer's page."""
        rng, card = self.rng, self._card().card
        grown = float(rng.uniform(1.0, 1.4)) * self.long_side / max(card.pixels.shape[:2])
        pixels = np.asarray(cv2.resize(card.pixels, None, fx=grown, fy=grown, interpolation=cv2.INTER_AREA), np.uint8)
        high, wide = pixels.shape[:2]
        most = {"cut": 0.0, "within": -0.025, "rim": 0.03, "page": 0.35}[str(rng.choice(FRAMED, p=FRAMED_SHARES))]
        left, top, right, bottom = (int(v) for v in np.rint(rng.uniform(0, 1, 4) * most * max(high, wide)))
        corners = rectangle((wide, high), (wide / 2 + left, high / 2 + top))
        if most <= 0:
            pixels = pixels[-top : high + bottom, -left : wide + right]
        else:
            pixels = _on_page(pixels, (left, top, right, bottom), rng)
        noisy = pixels + rng.normal(0, float(rng.uniform(0.5, 3)), pixels.shape)
        pixels = np.clip(noisy, 0, 255).astype(np.uint8)
        for _ in range(int(rng.choice([0, 0, 0, 1, 2, 3]))):
            corners = np.stack([pixels.shape[0] - corners[:, 1], corners[:, 0]], axis=1)
            pixels = np.rot90(pixels, -1)
        return self._small(Desk(np.ascontiguousarray(pixels), corners[None]))

    def _small(self, desk: Desk) -> Desk:
        """At most `long_side`."""
        height, width = desk.pixels.shape[:2]
        factor = self.long_side / max(height, width)
        size = (round(width * factor), round(height * factor))
        pixels = np.asarray(cv2.resize(desk.pixels, size, interpolation=cv2.INTER_AREA), np.uint8)
        return Desk(pixels, desk.cards * (np.array(size) / np.array([width, height])))


def any_size(rng: np.random.Generator) -> FaceSize:
    """The common card's, another format's either way up, or any other shape."""
    kind = rng.random()
    if kind < 0.5:
        return FaceSize()
    if kind < 0.85:
        one = list(PRESETS.values())[int(rng.integers(len(PRESETS)))]
        return (one if rng.random() < 0.6 else one.turned()).face
    share = float(rng.uniform(0.45, 0.85))
    return face_of(60 * share, 60) if rng.random() < 0.6 else face_of(60, 60 * share)


def stiff_holder(size_mm: tuple[float, float], rng: np.random.Generator) -> tuple[_Layer | None, _Layer]:
    """Plastic, glass or a frame with its mat around a card, under and over it: rims of any tone, a film over all."""
    one = float(rng.uniform(1.0, 14.0))
    left, top, right, bottom = (float(mm) for mm in (rng.uniform(1.0, 16.0, 4) if rng.random() < 0.6 else [one] * 4))
    box = (-size_mm[0] / 2 - left, -size_mm[1] / 2 - top, size_mm[0] / 2 + right, size_mm[1] / 2 + bottom)
    rows, columns = (round((box[i + 2] - box[i]) * HOLDER_SCALE) for i in (1, 0))
    under = np.zeros((rows, columns, 4), np.uint8)
    under[..., :3] = colour(rng, 10, 250, 15).astype(np.uint8)
    under[..., 3] = round(float(rng.choice([0, 30, 90, 255])))
    over = _film(rows, columns, rng)
    for _ in range(int(rng.integers(1, 4))):
        _rim(over, float(rng.uniform(0, min(left, top, right, bottom))), rng)
    a, b, c, d = (round(mm * HOLDER_SCALE) for mm in (top, bottom, left, right))
    inner = over[a : rows - b, c : columns - d, 3]
    inner[:] = np.minimum(inner, 90)
    return (under, box, HOLDER_SCALE) if under[0, 0, 3] else None, (over, box, HOLDER_SCALE)


def _film(rows: int, columns: int, rng: np.random.Generator) -> Picture:
    """Haze and streaks of light."""
    over = np.full((rows, columns, 4), 250, np.uint8)
    over[..., 3] = round(255 * float(rng.uniform(0, 0.12)))
    for _ in range(int(rng.integers(0, 3))):
        a, b = (tuple(int(v) for v in rng.integers(-50, 50 + max(rows, columns), 2)) for _ in range(2))
        tone = (250, 250, 250, int(rng.integers(25, 90)))
        cv2.line(over, a, b, tone, int(rng.integers(2, 30)), cv2.LINE_AA)
    return over


def _rim(over: Picture, inset_mm: float, rng: np.random.Generator) -> None:
    """A rim or a weld, on all sides or on two, in place."""
    rows, columns = over.shape[:2]
    shade = colour(rng, 225, 255, 4) if rng.random() < 0.7 else colour(rng, 5, 80, 8)
    tone = [*shade.tolist(), float(rng.uniform(40, 230))]
    near, thick = round(inset_mm * HOLDER_SCALE), max(1, round(float(rng.uniform(0.3, 2.0)) * HOLDER_SCALE))
    if rng.random() < 0.6:
        cv2.rectangle(over, (near, near), (columns - 1 - near, rows - 1 - near), tone, thick, cv2.LINE_AA)
    else:
        for x in (near, columns - 1 - near):
            cv2.line(over, (x, 0), (x, rows), tone, thick, cv2.LINE_AA)


def _on_page(pixels: Picture, rims: tuple[int, int, int, int], rng: np.random.Generator) -> Picture:
    """On an even page with so many pixels left, top, right and bottom; sometimes with bars above and below."""
    left, top, right, bottom = rims
    high, wide = pixels.shape[:2]
    page = np.empty((high + top + bottom, wide + left + right, 3), np.uint8)
    page[:] = colour(rng, 0, 255, 6).astype(np.uint8)
    page[top : top + high, left : left + wide] = pixels
    for bar in (page[: top // 2], page[top + high + bottom // 2 :]):
        if rng.random() < 0.4:
            bar[:] = colour(rng, 5, 250, 10).astype(np.uint8)
    return page


def _replaced(kept: list[T], new: T, most: int, rng: np.random.Generator) -> None:
    if len(kept) < most:
        kept.append(new)
    else:
        kept[int(rng.integers(most))] = new


def _any(some: Sequence[T], rng: np.random.Generator) -> T:
    return some[int(rng.integers(len(some)))]


def _smaller(layer: Picture, box: Box, px_per_mm: float) -> _Layer:
    """A layer at a third of its size, so that it is quickly laid."""
    small = cv2.resize(layer, None, fx=1 / 3, fy=1 / 3, interpolation=cv2.INTER_AREA)
    return np.asarray(small, np.uint8), box, px_per_mm / 3


def _placed(x: float, y: float, turn: float) -> NDArray[np.float64]:
    """(3, 3): mm from a thing's middle to world mm."""
    cosine, sine = np.cos(turn), np.sin(turn)
    return np.array([[cosine, -sine, x], [sine, cosine, y], [0, 0, 1.0]])


def _extent(one: _Kept) -> tuple[float, float]:
    """Width and height of a card with its holder."""
    if one.over is None:
        return one.card.size_mm[0] + 1, one.card.size_mm[1] + 1
    x0, y0, x1, y1 = one.over[1]
    return 2 * max(-x0, x1), 2 * max(-y0, y1)


def _reach(laid: Sequence[tuple[_Kept, NDArray[np.float64]]]) -> float:
    """Side of a square about the origin that holds all."""
    far = max(np.abs(moved(place, rectangle(one.card.size_mm))).max() for one, place in laid)
    return 2 * float(far)


def _cover(
    picture: Picture,
    camera: Camera,
    layer: Picture,
    place: NDArray[np.float64],
    start: tuple[float, float],
    scale: float,
) -> None:
    """Lay a flat layer with cover over the picture, in place. start: mm of its first corner; place: as of `lay`."""
    wide, high = layer.shape[1] / scale, layer.shape[0] / scale
    corners = np.array([[0, 0], [wide, 0], [wide, high], [0, high]]) + np.array(start)
    window = camera.window(moved(place, corners))
    if window is None:
        return
    to_layer = np.array([[scale, 0, -start[0] * scale], [0, scale, -start[1] * scale], [0, 0, 1]])
    maps = camera.sampling(window, to_layer @ np.linalg.inv(place))
    above = sampled(np.ascontiguousarray(layer[..., :3]), maps, cv2.BORDER_REPLICATE)
    cover = sampled(np.ascontiguousarray(layer[..., 3]), maps, cv2.BORDER_CONSTANT)
    blend(picture[window[1] : window[3], window[0] : window[2]], above, cover)


def _seen(
    picture: Picture, factor: NDArray[np.float32], lamp: NDArray[np.float32], scene: Scene, rng: np.random.Generator
) -> Picture:
    """What light, lamp, lens, sensor and file leave of it; all at once, as the picture is small."""
    size = (picture.shape[1], picture.shape[0])
    seen = picture.astype(np.float32) * cv2.resize(factor, size)[..., None]
    seen *= np.array([1 + 0.08 * scene.warmth, 1.0, 1 - 0.13 * scene.warmth], np.float32) * np.float32(
        2 ** (scene.exposure / 2.2)
    )
    if lamp.any():
        seen += (255 - seen) * np.minimum(cv2.resize(lamp, size), 1)[..., None]
    if scene.blur > 0.2:
        seen = np.asarray(cv2.GaussianBlur(seen, (0, 0), scene.blur), np.float32)
    if scene.noise > 0:
        seen += np.float32(scene.noise) * rng.standard_normal((size[1], size[0], 1), dtype=np.float32)
    levels = np.asarray(np.clip(seen, 0, 255), np.uint8)
    if rng.random() < 0.5:
        code = cv2.imencode(".jpg", levels, [cv2.IMWRITE_JPEG_QUALITY, int(rng.integers(55, 95))])[1]
        levels = np.asarray(cv2.imdecode(code, cv2.IMREAD_COLOR), np.uint8)
    return levels
