"""The last word on a few dozen quads: which is the outer edge of a card, and is any?

In: the reduced picture and a pool of quads, each already on edges near it; out: 0 to 1 for each. Where `scoring` asks
whether the sides hold, this looks at what lies around them too: parallel edges inside (a print on its mount) and
outside (a mount, a holder), the tones inside, and how the quads of the pool lie in each other. The measurements are
weighed by a multinomial logit fitted on staged scenes (`scripts/fit_detection`), its weights in `quad_classifier.onnx`.

The numbers here define what was fitted: they change only with a new fit.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from matcher.core.detect.finder import witness
from matcher.core.detect.geometry import Array, area, clockwise_portrait, height, nearest_shape
from matcher.core.detect.reduced_image import ReducedImage
from matcher.core.detect.sampling import across_sides, grid, outward, sample
from matcher.core.detect.scoring import LEVELS, Evidence, measure, score, side_strength
from matcher.core.nets import weight_file
from matcher.core.nets.runtime import infer
from matcher.core.shared_settings import FaceSize

Values = NDArray[np.float32]

WEIGHTS = weight_file("quad_classifier.onnx")

SEEN_WEIGHTS = weight_file("quad_witness.onnx")
"""Of the same and what a network says (`finder`), for pictures in which that network sees a whole card; where it sees
none, it has no say: what it was not shown in training may be a card all the same."""

HEIGHT_MM = FaceSize().height_mm
"""Of a card of any format, at the scale that its mm are counted in."""

PROFILE_MM = np.arange(-4.0, 4.01, 0.25, dtype=np.float32)
STATIONS = np.linspace(0.05, 0.95, 16, dtype=np.float32)
UNEVEN = 2
"""Column of `tones` that tells how unevenly fine detail is spread."""

ZONES = ((-4.0, -2.4), (-2.2, -1.1), (-0.9, -0.4), (-0.25, 0.25), (0.4, 0.9), (1.1, 2.2), (2.4, 4.0))
"""Distances from a side, mm, outward positive, in which the strongest parallel edge is looked for."""


def classify_quads(picture: ReducedImage, quads: Array, shapes: Array) -> Values:
    """(n,) 0 to 1: how much each quad (n, 4, 2), in reduced pixels, looks like the outer edge of a card.

    shapes: (k,) widths over heights that cards may have; the one nearest to a quad's counts.
    """
    if not len(quads):
        return np.empty(0, np.float32)
    if picture.sees_card:
        return infer(SEEN_WEIGHTS, measurements=with_witness(picture, quads, shapes))
    return infer(WEIGHTS, measurements=measurements(picture, quads, shapes))


def with_witness(picture: ReducedImage, quads: Array, shapes: Array) -> Values:
    """(n, f + 18) float32: the same as `measurements`, and what the network that finds cards says of each quad."""
    quads = clockwise_portrait(np.asarray(quads, np.float32))
    return np.concatenate(
        [measurements(picture, quads, shapes), witness(picture.response, quads, HEIGHT_MM)], axis=1
    ).astype(np.float32)


def measurements(picture: ReducedImage, quads: Array, shapes: Array) -> Values:
    """(n, f) float32: everything that is weighed of each quad (n, 4, 2), in reduced pixels; shapes: (k,)."""
    quads = clockwise_portrait(np.asarray(quads, np.float32))
    evidence = measure(picture, quads, HEIGHT_MM)
    nominal = nearest_shape(evidence.ratio, shapes)
    first = score(evidence, nominal)
    columns = [
        _sides(evidence),
        _shape(picture, quads, evidence, nominal, shapes),
        _parallels(picture, quads, HEIGHT_MM),
        tones(picture, quads),
        _nesting(quads, first, HEIGHT_MM),
        first[:, None],
    ]
    return np.nan_to_num(np.concatenate(columns, axis=1).astype(np.float32), posinf=0, neginf=0)


def _sides(evidence: Evidence) -> Values:
    """Each measurement of the four sides, weakest side first."""
    parts = [side_strength(evidence), evidence.support, evidence.coherence, evidence.bands]
    parts += [np.log(evidence.contrast + 1), np.log(evidence.steps + 1), evidence.framed]
    return np.concatenate([np.sort(part, axis=1) for part in parts], axis=1)


def _shape(picture: ReducedImage, quads: Array, evidence: Evidence, nominal: Array, shapes: Array) -> Values:
    off = np.log(np.maximum(evidence.ratio, 1e-3) / nominal)
    share = np.abs(area(quads)) / (picture.width * picture.height)
    frame = min(picture.width, picture.height) / max(picture.width, picture.height)
    return np.stack(
        [
            off, np.abs(off), evidence.skew, np.log(share + 1e-4), evidence.beyond, evidence.texture, evidence.apart,
            evidence.paper, np.full(len(quads), np.abs(np.log(frame / shapes)).min()),
        ],
        axis=1,
    )  # fmt: skip


def _parallels(picture: ReducedImage, quads: Array, height_mm: float) -> Values:
    """How strong an edge runs parallel to the sides at each distance, and how plain the strips between are."""
    px_per_mm = np.maximum(height(quads) / height_mm, 1.0).astype(np.float32)
    colours = across_sides(picture.lab, quads, STATIONS, PROFILE_MM * px_per_mm[:, None]) * LEVELS
    step = colours[:, :, :, 2:] - colours[:, :, :, :-2]
    size = np.sqrt(np.einsum("...c,...c->...", step, step))[..., None]
    steady = np.linalg.norm((step / (size + 5)).mean(axis=2), axis=-1)
    at = PROFILE_MM[1:-1]
    parts = []
    for low, high in ZONES:
        strongest = np.sort(steady[:, :, (at >= low) & (at <= high)].max(axis=2), axis=1)
        parts += [strongest[:, :1], strongest[:, 1:].mean(axis=1, keepdims=True)]
    for low, high in ((-0.9, -0.3), (0.3, 0.9), (1.0, 2.5)):
        strip = colours[:, :, :, _between(low, high)].mean(axis=3)
        rough = np.sort(strip.std(axis=2).sum(axis=-1), axis=1)
        parts += [
            np.log(rough[:, :2].mean(axis=1, keepdims=True) + 1),
            np.log(rough[:, 2:].mean(axis=1, keepdims=True) + 1),
        ]
    inner = colours[:, :, :, _between(-0.8, -0.3)].mean(axis=(2, 3))
    outer = colours[:, :, :, _between(0.4, 1.2)].mean(axis=(2, 3))
    for strip in (inner, outer):  # one mount, one table: the four sides agree
        parts.append(
            np.log(
                np.linalg.norm(strip - np.median(strip, axis=1, keepdims=True), axis=-1).mean(axis=1, keepdims=True) + 1
            )
        )
    parts.append(np.sort(inner[..., 0] - outer[..., 0], axis=1) / 50)
    return np.concatenate(parts, axis=1)


def _between(low: float, high: float) -> NDArray[np.bool_]:
    return np.asarray(np.abs(PROFILE_MM - (low + high) / 2) <= (high - low) / 2 + 1e-4)


def tones(picture: ReducedImage, quads: Array) -> Values:
    """(n, 10) for quads (n, 4, 2): an old print has one tone scale, and fine detail in some places, in others none."""
    points = grid(quads, np.linspace(0.05, 0.95, 14), np.linspace(0.04, 0.96, 24))
    patch = sample(picture.lab, points).reshape(len(quads), -1, 3)
    light = patch[..., 0] / 128
    design = np.stack([np.ones_like(light), light, light**2], axis=-1)
    normal = np.einsum("npi,npj->nij", design, design) + 1e-2 * np.eye(3)
    target = np.einsum("npi,npc->nic", design, patch[..., 1:] - 128)
    off = patch[..., 1:] - 128 - design @ np.linalg.solve(normal, target)
    colourful = np.sqrt((off**2).sum(axis=-1).mean(axis=1))
    fine = cv2.absdiff(picture.lab[..., 0], cv2.blur(picture.lab[..., 0], (9, 9)))
    detail = sample(np.repeat(fine[..., None], 3, axis=2), points)[..., 0]
    blocks = detail.reshape(len(quads), 6, 4, 7, 2).mean(axis=(2, 4)).reshape(len(quads), -1)
    low, middle, high = np.percentile(light, [5, 50, 95], axis=1)
    hue = patch[..., 1:].mean(axis=1) - 128
    plane = patch[..., 0].reshape(len(quads), 24, 14)
    x, y = np.diff(plane, axis=2)[:, :-1], np.diff(plane, axis=1)[:, :, :-1]
    along, across = (x * x - y * y).mean(axis=(1, 2)), 2 * (x * y).mean(axis=(1, 2))
    one_way = np.hypot(along, across) / ((x * x + y * y).mean(axis=(1, 2)) + 1)
    return np.stack(
        [
            np.log(colourful + 0.3), np.log(blocks.mean(axis=1) + 0.5),
            blocks.std(axis=1) / (blocks.mean(axis=1) + 0.5), np.log(blocks.min(axis=1) + 0.3),
            low, middle, high, hue[:, 0] / 10, hue[:, 1] / 10, one_way,
        ],
        axis=1,
    )  # fmt: skip


def _nesting(quads: Array, first: Values, height_mm: float) -> Values:
    """Of each quad: the best of the pool inside and outside of it, close by (a mount) and further off (a holder)."""
    normal = outward(quads)
    to_side = np.einsum("isc,isc->is", normal, quads)
    # gap[i, k, s]: how far the corners of k stay inside of side s of i, in mm of i.
    gap = (to_side[:, None, None, :] - np.einsum("isc,kpc->ikps", normal, quads)).min(axis=2)
    gap = gap / (height(quads) / height_mm)[:, None, None]
    least, most = gap.min(axis=2), gap.max(axis=2)
    value = first[None, :]
    near = (least > -0.3) & (most > 0.5) & (most < 3.0)
    end = (np.sort(gap, axis=2)[:, :, 2] < 2.5) & (least > -0.5) & (most > 2.5) & (most < 11)
    far = (least > 1.5) & (most < 45)
    parts = []
    for relation in (near, end, far):
        for one, other in ((relation, value), (relation.T, value)):
            parts.append(np.where(one, other, 0).max(axis=1))
    alike = np.abs(np.log(np.abs(area(quads))[:, None] / np.abs(area(quads))[None])) < 0.2
    centre = quads.mean(axis=1)
    apart = np.linalg.norm(centre[:, None] - centre[None], axis=-1) > 0.5 * height(quads)[:, None]
    parts.append((alike & apart & (value > 0.8)).any(axis=1))
    return np.stack(parts, axis=1).astype(np.float32)
