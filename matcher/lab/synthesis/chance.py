"""What differs from card to card and from photo to photo, drawn at random: window, wear, scene.

`words` has the captions.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from matcher.lab.synthesis.ageing import Age
from matcher.lab.synthesis.printing import Crop
from matcher.lab.synthesis.scene import SURFACES, Scene


def random_crop(rng: np.random.Generator) -> Crop:
    """A window such as studios used: whole figure, three quarters, half length; a little off centre."""
    zoom = float(rng.choice([1.03, 1.1, 1.22, 1.38]))
    free = 0.5 * (1 - 1 / zoom)
    return Crop(0.5 + free * rng.uniform(-0.6, 0.6), 0.5 + free * rng.uniform(-0.9, 0.3), zoom)


def another_crop(crop: Crop, rng: np.random.Generator) -> Crop:
    """A window that differs by at least 1.4 mm on the card, or by at least 3 % in zoom."""
    if rng.random() < 0.5:
        zoom = max(1.0, crop.zoom * (1 + rng.choice([-1, 1]) * rng.uniform(0.03, 0.25)))
        return replace(crop, zoom=float(zoom if abs(zoom / crop.zoom - 1) > 0.025 else crop.zoom * 1.06))
    shift = rng.uniform(1.4, 5.0) / 36.5 / crop.zoom
    angle = rng.uniform(0, 2 * np.pi)
    # Stay inside the negative: shift towards its middle.
    x = crop.x + abs(shift * np.cos(angle)) * (1 if crop.x <= 0.5 else -1)
    y = crop.y + abs(shift * np.sin(angle)) * 36.5 / 63.5 * (1 if crop.y <= 0.5 else -1)
    return replace(crop, x=float(x), y=float(y), zoom=max(crop.zoom, 1.18))


def random_age(rng: np.random.Generator, contrast: float) -> Age:
    """Wear and stains as they come, at a given residual contrast."""
    return Age(
        residual_contrast=contrast,
        unevenness=float(rng.uniform(0, 0.6)),
        foxing=int(rng.integers(0, 24)),
        stains=int(rng.integers(0, 3)),
        scratches=int(rng.integers(0, 9)),
        dirt=float(rng.uniform(0, 0.8)),
        worn_corners=float(rng.uniform(0, 0.8)),
        crease=bool(rng.random() < 0.15),
        pencil=bool(rng.random() < 0.12),
        trimmed_mm=_trimmed(rng),
        tone=str(rng.choice(["sepia", "pink", "brown"])),  # type: ignore[arg-type]
    )


def _trimmed(rng: np.random.Generator) -> tuple[float, float, float, float]:
    """Mostly nothing; else, on one or two sides, up to what fits a smaller album."""
    if rng.random() > 0.15:
        return 0.0, 0.0, 0.0, 0.0
    left, top, right, bottom = (float(rng.uniform(0.3, 1.6)) * (rng.random() < 0.4) for _ in range(4))
    return left, top, right, min(bottom, 0.8)


def random_scene(rng: np.random.Generator) -> Scene:
    """A phone photo of one or two megapixels as people take them."""
    return Scene(
        surface=str(rng.choice(SURFACES)),  # type: ignore[arg-type]
        width=int(rng.choice([900, 1200])),
        height=int(rng.choice([1200, 1600])),
        share=float(rng.uniform(0.5, 0.95)),
        tilt=float(min(abs(rng.normal(0, 10)), 40.0)),
        tilt_towards=float(rng.uniform(0, 360)),
        rotation=float(rng.normal(0, 8)),
        shadow=float(rng.uniform(0, 0.5)),
        glare=float(rng.uniform(0.3, 0.9)) if rng.random() < 0.2 else 0.0,
        sleeve=bool(rng.random() < 0.15),
        thumb=int(rng.integers(4)) if rng.random() < 0.1 else None,
        blur=float(rng.uniform(0.4, 1.8)),
        noise=float(rng.uniform(1.0, 4.5)),
        exposure=float(rng.normal(0, 0.25)),
        warmth=float(rng.uniform(-0.6, 0.6)),
        quality=int(rng.integers(65, 94)),
    )
