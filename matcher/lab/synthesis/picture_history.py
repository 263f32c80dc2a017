"""What happens between a card and the picture that is sent: faded greys in, a camera's or a sales page's greys out.

Fading, lamp, lens, sensor, enlargement from a small file, sharpening, levels, local tone mapping, resaving, a photo of
a screen, a page's watermark: each with numbers drawn for this one picture. (h, w) float32 0..1 in and out.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from matcher.lab.synthesis.prints import Field, smooth_field


@dataclass(frozen=True)
class PictureHistory:
    """How one picture of a card came about.

    contrast:   residual contrast of the card, 0..1. unevenness: of the fading, 0..1.
    light:      range of the lamp's fall-off, 0..1. shadow: depth of one that falls on the card, 0..1, 0 none.
    gamma:      the camera's. blur: sigma, pixels of the face.
    scale:      resolution of the file, as a share of the face's.
    noise:      of the sensor, grey levels 0..1; noise_size: its correlation, pixels.
    sharpened, mapped: strength of sharpening and of local tone mapping, 0 off.
    levels:     whether the ends were stretched. quality: of the last JPEG. screen: photographed from a display.
    watermark:  opacity of a page's mark across the picture, 0 none.
    """

    contrast: float = 1.0
    unevenness: float = 0.0
    light: float = 0.0
    shadow: float = 0.0
    gamma: float = 1.0
    blur: float = 0.0
    scale: float = 1.0
    noise: float = 0.0
    noise_size: float = 0.0
    sharpened: float = 0.0
    mapped: float = 0.0
    levels: bool = False
    quality: int = 95
    screen: bool = False
    watermark: float = 0.0


def random_history(rng: np.random.Generator, scanned: bool = False, small: bool = False) -> PictureHistory:
    """A picture as people send them; `scanned`: from a flatbed; `small`: as sales pages show them."""
    rough = 0.3 if scanned else 1.0
    return PictureHistory(
        contrast=float(np.exp(rng.uniform(np.log(0.1), 0))) if rng.random() < 0.7 else float(rng.uniform(0.5, 1)),
        unevenness=float(rng.uniform(0, 0.5)),
        light=rough * float(rng.uniform(0, 0.3)),
        shadow=float(rng.uniform(0.1, 0.6)) if not scanned and rng.random() < 0.15 else 0.0,
        gamma=float(np.exp(rng.normal(0, 0.2))),
        blur=rough * float(rng.choice([0.3, 0.8, 1.5]) * rng.uniform(0.5, 1.4)),
        scale=float(rng.uniform(0.3, 0.9)) if small else float(rng.choice([1.0, 1.0, 0.8])),
        noise=rough * float(np.exp(rng.uniform(np.log(0.003), np.log(0.035)))),
        noise_size=float(rng.choice([0.0, 0.6, 1.1])),
        sharpened=float(rng.uniform(0.3, 2.0)) if rng.random() < (0.4 if small else 0.2) else 0.0,
        mapped=float(rng.uniform(1, 4)) if rng.random() < 0.12 else 0.0,
        levels=bool(rng.random() < 0.3),
        quality=int(rng.integers(45, 92)) if small else int(rng.integers(65, 97)),
        screen=bool(rng.random() < 0.02),
        watermark=float(rng.uniform(0.15, 0.5)) if small and rng.random() < 0.15 else 0.0,
    )


def pictured(card: Field, history: PictureHistory, rng: np.random.Generator) -> Field:
    """The picture of a card with this history, at the face's size."""
    h = history
    keep = h.contrast * (1 + h.unevenness * 0.6 * smooth_field(card.shape, rng))
    dark = rng.uniform(0.1, 0.3)
    grey = 1 - (1 - card) * np.clip(keep, 0.03, 1) * (1 - dark)
    grey = grey * rng.uniform(0.7, 0.97) * (1 + h.light * smooth_field(card.shape, rng, 1))
    if h.shadow:
        grey = grey * (1 - h.shadow * _shadow(card.shape, rng))
    grey = np.clip(grey, 0, 1) ** h.gamma
    if h.watermark:
        grey = _watermarked(np.asarray(grey, np.float32), h.watermark, rng)
    if h.blur > 0.2:
        grey = cv2.GaussianBlur(grey, (0, 0), h.blur)
    size = (card.shape[1], card.shape[0])
    small = (max(16, round(size[0] * h.scale)), max(16, round(size[1] * h.scale)))
    if small != size:
        grey = cv2.resize(grey, small, interpolation=cv2.INTER_AREA)
    grey = _sensed(np.asarray(grey, np.float32), h, rng)
    bytes_ = np.clip(255 * grey, 0, 255).astype(np.uint8)
    if h.mapped:
        bytes_ = np.asarray(cv2.createCLAHE(h.mapped, (4, 8)).apply(bytes_), np.uint8)
    _, file = cv2.imencode(".jpg", bytes_, [cv2.IMWRITE_JPEG_QUALITY, h.quality])
    seen = np.asarray(cv2.imdecode(file, cv2.IMREAD_GRAYSCALE), np.float32) * np.float32(1 / 255)
    if small != size:
        seen = np.asarray(cv2.resize(seen, size, interpolation=cv2.INTER_CUBIC), np.float32)
    return np.asarray(np.clip(seen, 0, 1), np.float32)


def _shadow(shape: tuple[int, ...], rng: np.random.Generator) -> Field:
    """Where a hand's or a telephone's shadow falls, 0..1: over one side, its rim wavy, crisp or soft."""
    height, width = shape
    rows, columns = np.mgrid[0:height, 0:width].astype(np.float32)
    way = float(rng.uniform(0, 2 * np.pi))
    along = (columns - width * rng.uniform(0.1, 0.9)) * np.cos(way) + (rows - height * rng.uniform(0.1, 0.9)) * np.sin(
        way
    )
    wavy = along + rng.uniform(0, 60) * smooth_field(shape, rng)
    return np.asarray(1 / (1 + np.exp(np.clip(-wavy / rng.uniform(1.5, 15), -30, 30))), np.float32)


def _sensed(grey: Field, h: PictureHistory, rng: np.random.Generator) -> Field:
    if h.screen:
        rows, columns = np.mgrid[0 : grey.shape[0], 0 : grey.shape[1]].astype(np.float32)
        period, angle = rng.uniform(2.1, 6), rng.normal(0, 0.2)
        grey = grey * (1 + 0.08 * np.sin(2 * np.pi / period * (columns * np.cos(angle) + rows * np.sin(angle))))
    if h.noise:
        noise = rng.standard_normal(grey.shape, dtype=np.float32)
        if h.noise_size:
            noise = np.asarray(cv2.GaussianBlur(noise, (0, 0), h.noise_size), np.float32)
            noise *= np.float32(2 * np.sqrt(np.pi) * h.noise_size)
        grey = grey + np.float32(h.noise) * noise
    if h.sharpened:
        grey = grey + np.float32(h.sharpened) * (grey - cv2.GaussianBlur(grey, (0, 0), 1.2))
    if h.levels:
        low, high = np.percentile(grey[::4, ::4], [rng.uniform(0, 2), 100 - rng.uniform(0, 2)])
        grey = (grey - low) / max(float(high - low), 0.05)
    return np.clip(grey, 0, 1).astype(np.float32)


def _watermarked(grey: Field, opacity: float, rng: np.random.Generator) -> Field:
    canvas = np.zeros(grey.shape, np.uint8)
    word = "".join(rng.choice(list("abcdefghijklmnopqrstuvwxyz"), int(rng.integers(5, 12))))
    for row in range(int(rng.integers(1, 4))):
        place = (int(rng.integers(-20, 80)), int((row + 0.7) * grey.shape[0] / 3))
        cv2.putText(canvas, word, place, 0, rng.uniform(1, 2.4), 255, int(rng.integers(2, 6)), cv2.LINE_AA)
    share = canvas.astype(np.float32) * np.float32(opacity / 255)
    return np.asarray(grey * (1 - share) + share * rng.choice([0.1, 0.95]), np.float32)
