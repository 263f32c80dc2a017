"""Moments drawn by another hand than those learnt from, for judging alone: nothing is trained, fitted or tuned on them.

Heads turn as solids do, cloth swirls without swelling, elbows pull at a mesh of triangles, a figure cut out of a plain
backdrop leans before it, and things that lie about are put otherwise.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import LinearNDInterpolator
from scipy.spatial import Delaunay

from matcher.lab.evaluation.other_prints import PLATE_MM
from matcher.lab.evaluation.other_wear import Field

NET = 4
"""Pixels between the places at which a movement is drawn."""
STILL = 0.08
"""Pixels: what moves less than this stays exactly as it is."""
SEEN, ENOUGH = 0.06, 0.006
"""By how many greys of 1 an eye sees a change, and over what share of the picture there should be one."""
PLAIN = 0.04
"""By how many greys of 1 a backdrop may differ from a smooth one and be called plain."""
TRIES = 3
"""How many changes are made at most."""


class Sitting(NamedTuple):
    """A picture, its greys on a net, that net's mm from the left and the top; a head's middle and half its height."""

    view: Field
    small: Field
    x: Field
    y: Field
    head: tuple[float, float]
    size: float


Drift = tuple[NDArray[np.floating], NDArray[np.floating]]
"""Millimetres to the right and down by which each place of the net moves."""


def _busy(view: Field, sigma: float) -> Field:
    """How much there is to see about each place."""
    return np.asarray(
        cv2.GaussianBlur(cv2.absdiff(view, cv2.GaussianBlur(view, (0, 0), 1.2)), (0, 0), sigma), np.float32
    )


def _on_net(view: Field) -> Field:
    size = max(8, view.shape[1] // NET), max(8, view.shape[0] // NET)
    return np.asarray(cv2.resize(view, size, interpolation=cv2.INTER_AREA), np.float32)


def _sitting(view: Field, rng: np.random.Generator) -> Sitting:
    """Heads are busy and light, above the middle and seldom at a side: nobody has to find them better than that."""
    small, high = _on_net(view), PLATE_MM * view.shape[0] / view.shape[1]
    net = np.meshgrid(np.linspace(0, PLATE_MM, small.shape[1]), np.linspace(0, high, small.shape[0]))
    x, y = (one.astype(np.float32) for one in net)
    likely = np.exp(-(((x / PLATE_MM - 0.5) / 0.16) ** 2) - ((y / high - 0.24) / 0.11) ** 2)
    wide = 3 * small.shape[1] / PLATE_MM
    likely = likely * (0.15 + cv2.GaussianBlur(small, (0, 0), 0.5 * wide)) * _busy(small, wide)
    place = np.unravel_index(int(np.argmax(likely)), small.shape)
    head = float(x[place] + rng.normal(0, 0.5)), float(y[place] + rng.normal(0, 0.5))
    return Sitting(view, small, x, y, head, float(rng.uniform(3.8, 6.2)))


def _far(rng: np.random.Generator, least: float, most: float) -> float:
    return float(np.exp(rng.uniform(np.log(least), np.log(most))) * rng.choice([-1, 1]))


def _inside(distance: NDArray[np.floating], rim: float) -> NDArray[np.floating]:
    """1 within a distance of 1, then falling to nothing over a rim."""
    return np.asarray(0.5 - 0.5 * np.cos(np.pi * np.clip((1 + rim - distance) / rim, 0, 1)))


def turned(sitting: Sitting, rng: np.random.Generator) -> Drift:
    """A head turned and nodded: an egg before the neck, whose near parts move furthest and whose rim hardly moves."""
    across = (sitting.x - sitting.head[0]) / (0.82 * sitting.size)
    along = (sitting.y - sitting.head[1]) / (1.15 * sitting.size)
    deep = np.sqrt(np.clip(1 - 0.7 * (across**2 + along**2), 0, 1)) + 0.35 * np.exp(-6 * (across**2 + along**2))
    held = _inside(np.hypot(across, along), 0.3)
    return _far(rng, 0.5, 1.6) * deep * held, _far(rng, 0.15, 1.0) * deep * held


def rolled(sitting: Sitting, rng: np.random.Generator) -> Drift:
    """A head tipped to a shoulder, about the top of the spine."""
    turn, across, along = _far(rng, 0.05, 0.2), sitting.x - sitting.head[0], sitting.y - sitting.head[1]
    held = _inside(np.hypot(across, along / 1.35) / sitting.size, 0.3)
    along = along - 1.1 * sitting.size
    return -turn * along * held, (turn * across - 0.5 * turn * turn * along) * held


def glanced(sitting: Sitting, rng: np.random.Generator) -> Drift:
    """Eyes to the side, brows a little up; the mouth drawn."""
    aside, up, away = _far(rng, 0.3, 0.6), _far(rng, 0.1, 0.4), np.zeros_like(sitting.x)
    down = away.copy()
    for side, low, wide in ((-0.36, -0.1, 0.9), (0.36, -0.1, 0.9), (0.0, 0.55, 1.4)):
        gone = ((sitting.x - sitting.head[0]) / sitting.size - side) / (0.2 * wide)
        here = _inside(np.hypot(gone, ((sitting.y - sitting.head[1]) / sitting.size - low) / 0.16), 0.8)
        away, down = away + aside * here, down - up * here
    return away, down


def breathed(sitting: Sitting, rng: np.random.Generator) -> Drift:
    """The chest swells from the breastbone outwards and lifts the shoulders."""
    across = sitting.x - sitting.head[0]
    along = sitting.y - (sitting.head[1] + 2.7 * sitting.size)
    held = np.exp(-((across / (1.9 * sitting.size)) ** 4) - (along / (1.5 * sitting.size)) ** 4)
    swell, lift = _far(rng, 0.05, 0.13), abs(_far(rng, 0.3, 0.8))
    return swell * across * held, (0.6 * swell * along - np.sign(swell) * lift) * held


def swirled(sitting: Sitting, rng: np.random.Generator) -> Drift:
    """Folds of cloth that have slid: the curl of noise, so that nothing swells or shrinks."""
    grid = rng.normal(0, 1, rng.integers((6, 4), (12, 9)))
    stream = cv2.resize(grid, sitting.x.shape[::-1], interpolation=cv2.INTER_CUBIC)
    middle = sitting.head[0] + rng.normal(0, 5), rng.uniform(0.5, 0.85) * sitting.y.max()
    here = np.hypot((sitting.x - middle[0]) / rng.uniform(6, 10), (sitting.y - middle[1]) / rng.uniform(6, 10))
    down, across = np.gradient(stream * _inside(here, 0.4))
    most = abs(_far(rng, 0.8, 2.2)) / max(float(np.hypot(down, across).max()), 1e-6)
    return most * down, -most * across


def pulled(sitting: Sitting, rng: np.random.Generator) -> Drift:
    """An elbow, a knee or a lap moved: corners of a mesh of triangles pulled, all others pinned."""
    size = np.array([PLATE_MM, sitting.y.max()])
    points = np.vstack([[(0, 0), (1, 0), (0, 1), (1, 1)], rng.uniform(0, 1, (60, 2))]) * size
    aim = np.array([sitting.head[0] + rng.normal(0, 6), rng.uniform(0.45, 0.9) * size[1]])
    near = np.argsort(np.hypot(*(points - aim).T))[: int(rng.integers(3, 7))]
    moves, way = np.zeros_like(points), rng.uniform(0, 2 * np.pi)
    moves[near] = abs(_far(rng, 0.7, 2.5)) * np.array([np.cos(way), np.sin(way)]) + rng.normal(0, 0.3, (len(near), 2))
    moves[:4] = 0
    drift = LinearNDInterpolator(Delaunay(points), moves, fill_value=0.0)(sitting.x, sitting.y)
    return drift[..., 0], drift[..., 1]


def leant(sitting: Sitting, rng: np.random.Generator) -> Drift:
    """The whole figure leant from the hips: the head goes furthest."""
    hips = sitting.head[1] + rng.uniform(3.2, 5) * sitting.size
    high = np.clip((hips - sitting.y) / max(hips - sitting.head[1], 1), 0, 1.3)
    lean = _far(rng, 0.6, 2.6)
    return lean * high**1.3, 0.12 * abs(lean) * high


def _figure(sitting: Sitting) -> Field | None:
    """The sitter cut out on the net: what neither is of the backdrop's greys nor lies open to it. None where the
    backdrop is no plain one, and could not be guessed where it was hidden."""
    x, y = sitting.x / PLATE_MM - 0.5, sitting.y / sitting.y.max() - 0.5
    rim = ((np.abs(x) > 0.43) & (y < 0)) | (y < -0.45)
    forms = np.stack([np.ones_like(x), x, y, x * x, y * y, x * y], axis=-1)
    plain = forms @ np.linalg.lstsq(forms[rim], sitting.small[rim], rcond=None)[0]
    off = np.abs(cv2.GaussianBlur(sitting.small, (0, 0), 0.7) - plain)
    odd = (off > max(0.05, 2.5 * float(off[rim].std()))).astype(np.uint8)
    for work, side in ((cv2.MORPH_CLOSE, 5), (cv2.MORPH_OPEN, 3)):
        odd = cv2.morphologyEx(odd, work, np.ones((side, side), np.uint8))
    around, whole = cv2.findContours(odd, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)[0], np.zeros_like(odd)
    cv2.drawContours(whole, sorted(around, key=cv2.contourArea)[-1:], -1, 1, cv2.FILLED)
    held = np.hypot(sitting.x - sitting.head[0], sitting.y - sitting.head[1]) < 0.8 * sitting.size
    if off[rim].mean() > PLAIN or whole[held].mean() < 0.97 or not 0.1 < whole.mean() < 0.75:
        return None
    return np.asarray(cv2.GaussianBlur(whole.astype(np.float32), (0, 0), 0.7), np.float32)


def _behind(sitting: Sitting, hidden: Field, rng: np.random.Generator) -> Field:
    """The picture with what is hidden, on the net, filled from about it, as rough as its backdrop is."""
    view, open_, filled = sitting.view, 1 - hidden, np.zeros_like(hidden)
    for sigma in (40.0, 12.0, 4.0, 1.5):  # from afar first, and by nearer ground wherever there is any
        share = cv2.GaussianBlur(open_, (0, 0), sigma) + 1e-6
        sure = np.clip(share / 0.08, 0, 1)
        filled += sure * (cv2.GaussianBlur(open_ * sitting.small, (0, 0), sigma) / share - filled)
    fine = cv2.resize(cv2.absdiff(view, cv2.GaussianBlur(view, (0, 0), 1.5)), hidden.shape[::-1])[open_ > 0.99]
    rough = float(np.median(fine)) * 3 if fine.size else 0.02
    grain = cv2.resize(rng.standard_normal(view[::2, ::2].shape, dtype=np.float32), view.shape[::-1])
    ground = cv2.resize(filled, view.shape[::-1]) + rough * grain
    return np.asarray(view + cv2.resize(hidden, view.shape[::-1]) * (ground - view), np.float32)


def _thing(sitting: Sitting, rng: np.random.Generator) -> tuple[Drift, Field]:
    """A hand, a hat or a book shifted and turned: what is of one grey about a busy place away from the head."""
    x, y, small = sitting.x, sitting.y, sitting.small
    away = np.hypot(x - sitting.head[0], y - sitting.head[1]) > 2 * sitting.size
    inner = away & (np.abs(x / PLATE_MM - 0.5) < 0.4) & (np.abs(y / y.max() - 0.5) < 0.42)
    chance = np.where(inner, _busy(small, 1.5 * small.shape[1] / PLATE_MM), 0).ravel().astype(np.float64) ** 3 + 1e-12
    place = divmod(int(rng.choice(chance.size, p=chance / chance.sum())), small.shape[1])
    right, down, reach = x - x[place], y - y[place], rng.uniform(1.8, 4.5, 2)
    of_one = 1 / (1 + np.exp((np.abs(cv2.GaussianBlur(small, (0, 0), 0.8) - small[place]) - 0.16) / 0.025))
    piece = (_inside(np.hypot(right / reach[0], down / reach[1]), 0.25) * of_one).astype(np.float32)
    turn, about = float(rng.normal(0, 0.15)), _inside(np.hypot(right, down) / 9, 0.2)
    return ((_far(rng, 0.6, 2.6) - turn * down) * about, (_far(rng, 0.3, 1.8) + turn * right) * about), piece


def _moved(sitting: Sitting, drift: Drift, piece: Field | None, rng: np.random.Generator) -> Field:
    """The picture with a drift in it: of everything there, or of one piece, given on the net, before what stays."""
    view, size = sitting.view, sitting.view.shape[::-1]
    flow = [cv2.resize((part * size[0] / PLATE_MM).astype(np.float32), size) for part in drift]
    source = [place - part for place, part in zip(np.indices(view.shape, np.float32)[::-1], flow, strict=True)]
    after = cv2.remap(view, source[0], source[1], cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    if piece is not None:
        ground = _behind(sitting, np.asarray(cv2.dilate(piece, np.ones((3, 3), np.uint8)), np.float32), rng)
        cover = cv2.resize(piece, size)
        shape = cv2.remap(cover, source[0], source[1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        after = ground + shape * (after - ground)
    return np.where(cv2.magnitude(*flow) > STILL, np.clip(after, 0, 1), view).astype(np.float32)


DRIFTS: tuple[Callable[..., Drift], ...] = (turned, rolled, glanced, breathed, swirled, pulled, leant)
"""How what is there may move."""


def another_moment(view: Field, rng: np.random.Generator) -> Field:
    """A second exposure seconds later: one to three changes, more than one where it hardly shows."""
    sitting, count = _sitting(view, rng), int(rng.integers(1, 4))
    for done in range(1, TRIES + 1):
        way = int(rng.integers(len(DRIFTS) + 2))
        drift, piece = _thing(sitting, rng) if way >= len(DRIFTS) else (DRIFTS[way](sitting, rng), None)
        if way < len(DRIFTS) and (DRIFTS[way] is leant or rng.random() < 0.35):
            piece = _figure(sitting)
            if piece is None and DRIFTS[way] is leant:  # or the whole room would lean with the sitter
                drift = rolled(sitting, rng)
        after = _moved(sitting, drift, piece, rng)
        sitting = sitting._replace(view=after, small=_on_net(after))
        if done >= count and float((np.abs(sitting.view - view)[::2, ::2] > SEEN).mean()) > ENOUGH:
            break
    return sitting.view
