"""A second exposure of the same sitter seconds later: a part pushed, swayed, cut out, set elsewhere or brought in.

Movement is local: all else stays exactly as it was, and at the border of what moved nothing fades, since the camera saw
a whole picture both times.
"""

from __future__ import annotations

import cv2
import numpy as np
from scipy.interpolate import RBFInterpolator

from matcher.lab.synthesis.prints import Field
from matcher.lab.synthesis.shapes.sheet import Points, Shape, Sheet, blurred, filled, inward, sized
from matcher.lab.synthesis.shapes.sitter import cut_along_edges, sitter

VISIBLE = 0.0025
"""Share of the card that a movement changes at least, by `LIGHT` or more; else another one is drawn."""
LIGHT = 0.05
"""A change of grey that the eye sees."""


def another_moment(view: Field, rng: np.random.Generator) -> Field:
    """A second exposure of the same sitter seconds later: one to three changes, all else as it is."""
    out, wanted = view, rng.integers(1, 4)
    changes = (_Moment.shifted, _Moment.shifted, _Moment.shifted, _Moment.cut, _Moment.cut)
    for _ in range(6):
        change = _Moment.swayed if rng.random() < 0.15 else changes[rng.integers(len(changes))]
        later = change(_Moment(out, rng))
        if (np.abs(later - out) > LIGHT).mean() > VISIBLE:
            out, wanted = later, wanted - 1
        if wanted == 0:
            break
    out = _Moment(view, rng).swayed() if out is view else out
    return np.clip(out, 0, 1).astype(np.float32)


class _Moment(Sheet):
    """A sitter seconds later; every change returns the whole picture, alike but for one place."""

    def busy(self) -> Points:
        """A place where the picture has detail, rather in the middle columns, where heads and hands are."""
        small = sized(self.view, (30, 20))
        there = np.hypot(*np.gradient(small)) * np.exp(-((np.linspace(-1, 1, 20) / 0.7) ** 2))
        spot = self.rng.choice(600, p=there.ravel() / there.sum()) if there.sum() > 0 else self.rng.integers(600)
        return (np.array([spot % 20, spot // 20]) + self.between(0, 1, 2)) / (20, 30) * self.size

    def window(self, low: float, high: float) -> tuple[tuple[slice, slice], Points, float]:
        """What is about a busy place: its rows and columns, the place within them, and a reach in pixels that was
        drawn from so many millimetres."""
        centre, reach = self.busy(), self.mm * self.size_between(low, high)
        (x0, y0), (x1, y1) = np.maximum(centre - 1.5 * reach, 0).astype(int), (centre + 1.5 * reach).astype(int) + 2
        return (slice(y0, y1), slice(x0, x1)), centre - (x0, y0), reach

    def within(self, shape: Shape, reach: float, centre: Points) -> Field:
        """Depth in an outline that never touches the window's sides, so that nothing breaks off there."""
        mask = filled(shape, [self.outline() * reach + centre])
        mask[[0, -1]] = mask[:, [0, -1]] = 0
        return inward(mask)

    def push(self, box: tuple[slice, slice], weight: Field, move: Points | Field, far: float) -> Field:
        """Every pixel fetched from where `move` says, the farthest by `far`, as much as it weighs."""
        move = (move * weight).astype(np.float32)
        move *= np.float32(far / max(float(np.hypot(*move).max()), 1e-6))
        y, x = np.mgrid[box[0].start : box[0].start + weight.shape[0], box[1].start : box[1].start + weight.shape[1]]
        at = np.float32(x) + move[0], np.float32(y) + move[1]
        moved = cv2.remap(self.view, *at, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT)
        out = self.view.copy()
        out[box] = np.where(np.abs(move).max(0) > 0.02, moved, out[box])
        return out

    def shifted(self) -> Field:
        """A shift, a turned head, a limb about its joint, a lid or mouth drawn in, or a free bend."""
        kind = self.rng.integers(5)
        box, centre, reach = self.window(3, 7) if kind == 3 else self.window(6, 20)
        shape = self.view[box].shape
        depth = self.within(shape, reach, centre)
        fall, (p, q) = np.float32(reach * self.between(0.35, 0.8)), self.rng.normal(0, 1, 2)
        weight = np.clip(depth / fall, 0, 1)
        v, u = (np.mgrid[: shape[0], : shape[1]] - centre[::-1, None, None]) / reach
        if kind == 4:
            knots = self.between(-1, 1, (6, 2))
            grid = np.stack(np.meshgrid(np.linspace(-1.5, 1.5, 10), np.linspace(-1.5, 1.5, 10)), -1).reshape(-1, 2)
            bend = RBFInterpolator(knots, self.rng.normal(0, 1, (6, 2)))(grid).reshape(10, 10, 2).astype(np.float32)
            move = np.stack([sized(np.ascontiguousarray(bend[..., i]), shape) for i in (0, 1)])
        else:
            turn = np.stack([p * (1.2 - u * u) + q * v, 0.2 * q * u])
            joint = np.stack([-(v - p), u - q])
            move = [np.stack([u * 0 + p, u * 0 + q]), turn, joint, np.stack([0.3 * p * u, q * v])][kind]
        far = min(self.mm * self.size_between(0.8, 3), 0.6 * fall)  # farther, and the picture would fold over itself
        return self.push(box, weight * weight * (3 - 2 * weight), move, far)

    def swayed(self) -> Field:
        """The whole person, more at the head than at the feet, before a backdrop that stands still."""
        weight = np.clip(inward(sitter(self.view)) / (4 * self.mm) + 1, 0, 1)
        move = np.ones((2, *self.shape), np.float32) * np.float32(self.rng.normal(0, 1, (2, 1, 1)))
        move *= np.linspace(1, self.between(-0.3, 0.6), self.shape[0], dtype=np.float32)[:, None]
        return self.push((slice(0, None), slice(0, None)), weight, move, self.mm * self.size_between(0.6, 2))

    def emptied(self, here: Field, part: Field) -> Field:
        """The part gone and what is about it continued there, with the grit of its neighbourhood."""
        thin = tuple(max(8, int(n / 3)) for n in here.shape)
        hole = cv2.dilate((sized(part, thin) > 0.05).astype(np.uint8), np.ones((3, 3), np.uint8))
        rough = cv2.inpaint((sized(here, thin).clip(0, 1) * 255).astype(np.uint8), hole, 3, cv2.INPAINT_TELEA)
        fine = np.roll(here - blurred(here, 3), len(here) // 3, int(self.rng.integers(2)))
        return here + (sized(np.asarray(rough / np.float32(255), np.float32), here.shape) + fine - here) * part

    def cut(self) -> Field:
        """A part along the picture's edges taken away, set a little elsewhere, or brought in from another place."""
        box, centre, reach = self.window(2.5, 8)
        out, here, kind = self.view.copy(), self.view[box], self.rng.integers(3)
        depth = self.within(here.shape, reach, centre)
        part = cut_along_edges(here, depth > 0.5 * depth.max(), depth < -0.1 * reach)
        if kind < 2:
            out[box] = self.emptied(here, part)
        if kind > 0:
            step = self.rng.normal(0, 1, 2)
            far = self.mm * self.size_between(1, 3) / np.hypot(*step) if kind == 1 else 0
            shift = np.array([[1, 0, step[0] * far], [0, 1, step[1] * far]])
            lent = here if kind == 1 else self.elsewhere()[box]
            both = [cv2.warpAffine(f, shift, here.shape[::-1], borderMode=cv2.BORDER_REFLECT) for f in (lent, part)]
            out[box] += (both[0] - out[box]) * both[1]
        return out
