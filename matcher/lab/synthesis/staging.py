"""Staged scenes by type, each with every card's true corners: what detection is measured on.

In: a kind of scene, pictures for negatives, pictures for backgrounds, an rng; out: a `Staged` scene. Kinds range from
a plain table to newsprint, plaid, faded cards on white, holders, pocket and album pages, pictures cut to the card,
flatbed pages of many cards, and scenes without a card.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from matcher.core.settings import FaceSize
from matcher.lab.synthesis import Scene, make_copy
from matcher.lab.synthesis.backdrops import BACKDROPS, colour, newsprint, photograph_of
from matcher.lab.synthesis.camera import Camera, rectangle
from matcher.lab.synthesis.chance import random_age, random_crop
from matcher.lab.synthesis.holders import HOLDERS, Box
from matcher.lab.synthesis.photographing import blend, developed, lay, sampled, table
from matcher.lab.synthesis.printing import Card
from matcher.lab.synthesis.props import glare, hold, light, sleeve
from matcher.lab.synthesis.scene import Surface
from matcher.lab.synthesis.surfaces import surface
from matcher.lab.synthesis.words import random_caption

Picture = NDArray[np.uint8]

PLAIN = ("wood", "cloth", "paper", "dark")
CLUTTER = ("text", "news", "pattern", "plaid", "photo", "beside", "ruled")
FADED = ("faded_sheet", "faded_lid")
HELD = ("sleeve", "toploader", "labelled", "pockets", "album")
TAKEN = ("thumb", "glare", "shadow", "tilt", "small", "fill")
FRAMED = ("cropped", "overcropped", "screenshot")
EMPTY = (
    "no_wood", "no_cloth", "no_paper", "no_text", "no_news", "no_pattern", "no_plaid", "no_photo",
    "no_rectangles", "no_ruled",
)  # fmt: skip
SINGLE = PLAIN + CLUTTER + FADED + HELD + TAKEN + FRAMED
ON_TABLE: dict[str, str] = {"faded_sheet": "sheet", "faded_lid": "lid"}


@dataclass(frozen=True)
class TrueCard:
    """corners: (4, 2) TL TR BR BL of the upright card in photo pixels; size_mm; legible: (4,) bool."""

    corners: NDArray[np.float64]
    size_mm: tuple[float, float]
    legible: NDArray[np.bool_]
    back: bool = False


@dataclass(frozen=True)
class Staged:
    """One scene: (h, w, 3) uint8 RGB, and the cards in it, in no particular order."""

    pixels: Picture
    cards: tuple[TrueCard, ...]
    kind: str
    dpi: float | None = None


@dataclass(frozen=True)
class Props:
    """What scenes are made of: grey negatives (h, w), RGB backgrounds (h, w, 3), TrueType files; the cards' format."""

    negatives: Sequence[Picture]
    backgrounds: Sequence[Picture]
    fonts: Sequence[str] = ("",)
    size: FaceSize = field(default_factory=FaceSize)


def stage(kind: str, props: Props, rng: np.random.Generator) -> Staged:
    """One scene of a kind named above."""
    if kind in FRAMED:
        return _framed(kind, props, rng)
    if kind in EMPTY:
        return _empty(kind, props, rng)
    if kind not in SINGLE:
        raise ValueError(f"kind must be one of {SINGLE + EMPTY}, not {kind!r}")
    return _on_table(kind, props, rng)


def draw_card(props: Props, rng: np.random.Generator, contrast: float | None = None, px_per_mm: float = 11.8) -> Card:
    """Any card: any negative, window, words and age; one in four is trimmed, unevenly."""
    negative = props.negatives[int(rng.integers(len(props.negatives)))]
    contrast = float(rng.choice([1.0, 0.7, 0.45, 0.3, 0.15])) if contrast is None else contrast
    age = random_age(rng, contrast)
    if rng.random() < 0.25:
        left, top, right, bottom = (float(v) for v in rng.uniform(0, 1.2, 4))
        age = replace(age, trimmed_mm=(left, top, right, bottom))
    return make_copy(
        negative, random_crop(rng), random_caption(rng, props.fonts), age,
        seed=int(rng.integers(1 << 30)), plate=int(rng.integers(1 << 30)), px_per_mm=px_per_mm, size=props.size,
    )  # fmt: skip


def pale(card: Card, rng: np.random.Generator) -> Card:
    """The card bleached until hardly any tone is left, as some are."""
    level = card.pixels.astype(np.float32)
    left = np.float32(rng.uniform(0.45, 0.8))
    white = np.array([243, 240, 232], np.float32) - np.float32(rng.uniform(0, 10))
    return replace(card, pixels=np.clip(white + (level - level.mean((0, 1))) * left, 0, 255).astype(np.uint8))


def random_view(kind: str, rng: np.random.Generator) -> Scene:
    """How the photo is taken, by kind."""
    width, height = [(1200, 1600), (900, 1200), (1536, 2048), (960, 1706)][int(rng.integers(4))]
    if rng.random() < 0.2:
        width, height = height, width
    share = {"small": rng.uniform(0.17, 0.3), "fill": rng.uniform(0.93, 1.0)}.get(kind, rng.uniform(0.35, 0.9))
    if kind in HELD:
        share *= 0.8
    turned = rng.random() < 0.25 and kind != "fill"
    flat = kind == "faded_lid"
    return Scene(
        width=width,
        height=height,
        share=float(share),
        tilt=0.0 if flat else float(rng.uniform(20, 35) if kind == "tilt" else abs(rng.normal(0, 9))),
        tilt_towards=float(rng.uniform(0, 360)),
        rotation=float(rng.uniform(0, 360) if turned else rng.choice([0, 0, 0, 90, 180, 270]) + rng.normal(0, 6)),
        offset=_aside(0.0 if kind == "fill" else 1 - float(share), rng),
        shadow=float(rng.uniform(0.6, 1.0) if kind == "shadow" else rng.uniform(0, 0.5)),
        glare=float(rng.uniform(0.5, 1.0)) if kind == "glare" else 0.0,
        blur=float(rng.uniform(0.4, 1.6)),
        noise=float(rng.uniform(1.0, 4.5)),
        exposure=float(rng.normal(0, 0.25)),
        warmth=float(rng.uniform(-0.6, 0.6)),
        distortion=0.0 if flat else float(rng.uniform(-0.004, 0.012)),
    )


def _aside(room: float, rng: np.random.Generator) -> tuple[float, float]:
    x, y = rng.uniform(-0.5, 0.5, 2) * room
    return float(x), float(y)


def _on_table(kind: str, props: Props, rng: np.random.Generator) -> Staged:
    scene = random_view(kind, rng)
    faded = kind in FADED
    card = draw_card(props, rng, float(rng.choice([0.08, 0.15, 0.25])) if faded else None)
    card = pale(card, rng) if faded else card
    camera = Camera.over(scene, card.size_mm)
    outline = rectangle(card.size_mm)
    picture = _table(_ground(kind, rng), camera, props, rng, scene)
    holder = HOLDERS[kind](card.size_mm, rng) if kind in HOLDERS else None
    if holder is not None:
        _cover(picture, camera, holder.under, holder.box)
    if kind == "beside":
        _neighbour(picture, camera, card, props, rng)
    lay(picture, camera, card, np.eye(3), rng)
    if holder is not None:
        _cover(picture, camera, holder.over, holder.box)
    if kind == "sleeve":
        sheen, box = sleeve(card.size_mm, rng)
        veil = np.dstack([np.full((*sheen.shape, 3), 252, np.uint8), sheen])
        _cover(picture, camera, veil, box)
    covered = None
    if kind == "thumb":
        covered = int(rng.integers(4))
        hold(picture, camera, outline, covered, rng)
    lamp = glare(camera, outline, scene.glare, rng)
    picture = developed(picture, light(camera, scene.shadow, rng), lamp, scene, rng)
    corners = camera.project(outline)
    legible = np.array([i != covered for i in range(4)]) & _within(corners, camera)
    return Staged(_jpeg(picture, rng), (TrueCard(corners, card.size_mm, legible),), kind)


def _ground(kind: str, rng: np.random.Generator) -> str:
    if kind in PLAIN + CLUTTER and kind != "beside":
        return kind
    return ON_TABLE.get(kind) or str(rng.choice(["wood", "cloth", "paper", "dark", "text", "pattern", "photo"]))


def _table(ground: str, camera: Camera, props: Props, rng: np.random.Generator, scene: Scene) -> Picture:
    def drawn(rows: int, columns: int, scale: float) -> Picture:
        if ground == "photo":
            return photograph_of(_any(props.backgrounds, rng), rows, columns, rng)
        if ground == "news":
            return newsprint(rows, columns, scale, rng, _any(props.backgrounds, rng) if rng.random() < 0.5 else None)
        if ground == "lid":
            return np.full((rows, columns, 3), int(rng.integers(232, 252)), np.uint8)
        if ground in BACKDROPS:
            return BACKDROPS[ground](rows, columns, scale, rng)
        kind: Surface = ground  # type: ignore[assignment]
        return surface(kind, rows, columns, scale, rng, str(rng.choice(list(props.fonts))))

    return table(camera, drawn)


def _any(pictures: Sequence[Picture], rng: np.random.Generator) -> Picture:
    return pictures[int(rng.integers(len(pictures)))]


def _cover(picture: Picture, camera: Camera, layer: Picture, box: Box) -> None:
    """Lay a flat layer with cover over the picture, in place."""
    x0, y0, x1, y1 = box
    window = camera.window(np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]]))
    if window is None:
        return
    scale_x, scale_y = layer.shape[1] / (x1 - x0), layer.shape[0] / (y1 - y0)
    maps = camera.sampling(window, np.array([[scale_x, 0, -x0 * scale_x], [0, scale_y, -y0 * scale_y], [0, 0, 1]]))
    colours = sampled(np.ascontiguousarray(layer[..., :3]), maps, cv2.BORDER_REPLICATE)
    cover = sampled(np.ascontiguousarray(layer[..., 3]), maps, cv2.BORDER_CONSTANT)
    blend(picture[window[1] : window[3], window[0] : window[2]], colours, cover)


def _neighbour(picture: Picture, camera: Camera, card: Card, props: Props, rng: np.random.Generator) -> None:
    """Another card whose larger part lies outside of the picture, so that it is not one to be found."""
    other = draw_card(props, rng)
    frame = np.array([[0, camera.height / 2], [camera.width, camera.height / 2]], np.float64)
    ends = camera.world(frame)
    edge = ends[int(rng.integers(2))]
    away = edge / max(float(np.linalg.norm(edge)), 1e-6)
    reach = max(float(np.linalg.norm(edge)), 45.0)
    angle = float(np.arctan2(away[1], away[0]) + rng.normal(0, 0.1))
    cosine, sine = np.cos(angle), np.sin(angle)
    place = away * (reach + 7.0)
    lay(picture, camera, other, np.array([[cosine, -sine, place[0]], [sine, cosine, place[1]], [0, 0, 1]]), rng)


def _within(corners: NDArray[np.float64], camera: Camera) -> NDArray[np.bool_]:
    return np.asarray(((corners > 0) & (corners < (camera.width, camera.height))).all(axis=1))


def _framed(kind: str, props: Props, rng: np.random.Generator) -> Staged:
    """No table: the picture is the card, cut by a person with or without a little of it lost, or in a viewer's page."""
    card = draw_card(props, rng)
    height = int(rng.integers(500, 1500))
    grown = cv2.resize(
        card.pixels, (round(height * card.size_mm[0] / card.size_mm[1]), height), interpolation=cv2.INTER_AREA
    )
    pixels = np.asarray(grown, np.uint8)
    corners = rectangle((pixels.shape[1], height), (pixels.shape[1] / 2, height / 2))
    if kind == "overcropped":
        lost = np.rint(rng.uniform(0, 0.025, 4) * height).astype(int)
        pixels = pixels[lost[1] : height - lost[3], lost[0] : pixels.shape[1] - lost[2]]
        corners = corners - lost[:2]
    if kind == "screenshot":
        pixels, corners = _screenshot(pixels, corners, rng)
    noisy = pixels.astype(np.float32) + rng.normal(0, 1.5, pixels.shape)
    turn = int(rng.choice([0, 0, 0, 1, 2, 3]))
    frame = np.clip(noisy, 0, 255).astype(np.uint8)
    for _ in range(turn):
        corners = np.stack([frame.shape[0] - corners[:, 1], corners[:, 0]], axis=1)
        frame = np.rot90(frame, -1)
    frame = np.ascontiguousarray(frame)
    legible = np.asarray(((corners > -1) & (corners < np.array(frame.shape[1::-1]) + 1)).all(axis=1))
    return Staged(_jpeg(frame, rng), (TrueCard(corners, card.size_mm, legible),), kind)


def _screenshot(
    pixels: Picture, corners: NDArray[np.float64], rng: np.random.Generator
) -> tuple[Picture, NDArray[np.float64]]:
    """The card on a viewer's even ground, with bars above and below."""
    ground = float(rng.choice([0, 18, 40, 245, 255]))
    left, top, right, bottom = np.rint(rng.uniform(0.01, 0.35, 4) * len(pixels)).astype(int)
    tall, wide = len(pixels) + top + bottom, pixels.shape[1] + left + right
    page = np.full((tall, wide, 3), ground, np.uint8)
    page[top : top + len(pixels), left : left + pixels.shape[1]] = pixels
    bar = min(round(0.05 * tall), top - 2)
    if bar > 6:
        page[:bar] = round(float(rng.uniform(20, 235)))
        for x in range(bar, wide - 2 * bar, 3 * bar):
            cv2.circle(page, (x, bar // 2), bar // 4, (120, 120, 125), -1, cv2.LINE_AA)
    return page, corners + np.array([left, top])


def _empty(kind: str, props: Props, rng: np.random.Generator) -> Staged:
    scene = random_view("wood", rng)
    size = (36.5 * float(rng.uniform(0.7, 2.0)), 63.5)
    camera = Camera.over(scene, size)
    picture = _table(kind.removeprefix("no_"), camera, props, rng, scene)
    if kind in ("no_wood", "no_paper", "no_cloth") and rng.random() < 0.4:
        _things(picture, rng)
    nothing = glare(camera, rectangle(size), 0.0, rng)
    picture = developed(picture, light(camera, scene.shadow, rng), nothing, scene, rng)
    return Staged(_jpeg(picture, rng), (), kind)


def _things(picture: Picture, rng: np.random.Generator) -> None:
    """A cup, a coin, a pencil on an otherwise empty table."""
    height, width = picture.shape[:2]
    for _ in range(int(rng.integers(1, 4))):
        place = (int(rng.integers(width)), int(rng.integers(height)))
        tone = [float(c) for c in colour(rng, 30, 230, 30)]
        if rng.random() < 0.5:
            cv2.circle(picture, place, int(rng.uniform(0.03, 0.2) * width), tone, -1, cv2.LINE_AA)
        else:
            end = (place[0] + int(rng.normal(0, 0.4) * width), place[1] + int(rng.normal(0, 0.4) * height))
            cv2.line(picture, place, end, tone, max(3, int(rng.uniform(0.005, 0.03) * width)), cv2.LINE_AA)


def _jpeg(picture: Picture, rng: np.random.Generator) -> Picture:
    """What a JPEG of a usual quality leaves of it."""
    quality = [cv2.IMWRITE_JPEG_QUALITY, int(rng.integers(65, 94))]
    code = cv2.imencode(".jpg", cv2.cvtColor(picture, cv2.COLOR_RGB2BGR), quality)[1]
    decoded = np.asarray(cv2.imdecode(code, cv2.IMREAD_COLOR), np.uint8)
    return np.asarray(cv2.cvtColor(decoded, cv2.COLOR_BGR2RGB), np.uint8)
