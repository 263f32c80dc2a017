"""Another print of the same negative: base and detail weighed anew, the tones bent along a curve, copied and grained.

Two prints of one plate differ in every tone and in no edge. Whoever compares them has to see through the tones, so that
these go as far as papers and retouchers go, and nothing is moved.
"""

from __future__ import annotations

import cv2
import numpy as np
from scipy.interpolate import PchipInterpolator, RBFInterpolator

from matcher.lab.synthesis.prints import Field
from matcher.lab.synthesis.shapes.sheet import Sheet, blurred, filled, inward, sized
from matcher.lab.synthesis.shapes.sitter import sitter


def rendered(view: Field, strength: float, rng: np.random.Generator) -> Field:
    """Another print of the same negative; strength 0.3 is mild, 1.2 as far as real papers go."""
    sheet = _Print(view, rng)
    out = sheet.finished(sheet.curved(sheet.worked_over(view, strength), strength), strength)
    return np.clip(out, 0, 1).astype(np.float32)


class _Print(Sheet):
    """One print of a negative: nothing in it moves, all of its tones may."""

    def swell(self, knots: int = 6) -> Field:
        """A smooth hill-and-dale over the card, of about unit height, through drawn control points."""
        places, grid = self.between(0, 1, (knots, 2)), np.mgrid[0:1:18j, 0:1:12j].reshape(2, -1).T
        hills = RBFInterpolator(places, self.rng.normal(0, 1, knots), smoothing=0.1)(grid)
        return sized(np.tanh(hills).reshape(18, 12).astype(np.float32), self.shape)

    def worked_over(self, view: Field, strength: float) -> Field:
        """Base and detail parted by a guided filter, the retoucher's brush, and light held back or burned in."""
        reach, keep = int(self.mm * self.size_between(0.6, 4)) * 2 + 1, np.float32(self.size_between(0.0005, 0.02))
        mean = cv2.blur(view, (reach, reach))
        slope = 1 - keep / (cv2.blur(view * view, (reach, reach)) - mean * mean + keep)
        base = cv2.blur(mean - slope * mean, (reach, reach)) + cv2.blur(slope, (reach, reach)) * view
        out = base + (view - base) * np.float32(np.exp(strength * self.rng.normal(0, 0.5)))
        if self.chance() < 0.35 * strength:
            face = filled(self.shape, [self.superformula() * 11 * self.mm + self.size * self.between(0.35, 0.6, 2)])
            out += (base - out) * blurred(face, 2 * self.mm) * np.float32(self.between(0.4, 1))
        if self.chance() < 0.35 * strength:
            paint = self.between(0.05, 0.95) + np.float32(0.12) * self.swell() + np.float32(0.03) * self.texture(0.5, 5)
            out += (paint - out) * (1 - blurred(sitter(view), 0.6 * self.mm)) * np.float32(self.between(0.3, 1))
        out = out + out * (1 - out) * self.swell() * np.float32(strength * self.between(0, 1))
        return np.asarray(np.clip(out, 0, 1), np.float32)

    def curved(self, view: Field, strength: float) -> Field:
        """Toe, straight part and shoulder as a monotone spline; hard paper is steep amid and blocked at its ends."""
        at = np.sort(np.concatenate([[0, 1], self.between(0.08, 0.92, 4)])) + np.arange(6) * 1e-3
        hard, middle = np.exp(strength * self.rng.normal(0.1, 0.6)), self.between(0.3, 0.7)
        bend = self.rng.normal(0, 0.25, 6)
        rise = 0.5 + 0.5 * np.tanh(2.2 * hard * (at - middle)) / np.tanh(1.1 * max(hard, 0.4))
        rise = np.maximum.accumulate(np.clip(at + (rise - at) * min(strength, 1) + 0.1 * strength * bend, 0, 1))
        low, high = strength * self.between(0, 0.22), 1 - strength * self.between(0, 0.25)
        table = PchipInterpolator(at, low + (high - low) * rise)(np.linspace(0, at[-1], 4096)).astype(np.float32)
        return np.asarray(table[(np.clip(view, 0, 1) * 4095).astype(np.int16)], np.float32)

    def finished(self, view: Field, strength: float) -> Field:
        """The copy camera's softness or a crisp enlarger, a vignette, mottle and grain."""
        soft = blurred(view, self.mm * self.size_between(0.06, 0.08 + 0.2 * strength))
        out = view + (soft - view) * np.float32(self.rng.choice([0, 1, 1, -strength * self.between(0.3, 1.5)]))
        if self.chance() < 0.3 * strength:
            a = np.linspace(0, 2 * np.pi, 97)
            circle = np.column_stack([np.cos(a), np.sin(a)])
            oval = np.sign(circle) * np.abs(circle) ** self.between(0.3, 1.2)
            mask = filled(self.shape, [(oval * self.between(0.4, 0.75, 2) + self.between(0.45, 0.55, 2)) * self.size])
            fade = np.clip(0.7 + inward(mask) / np.float32(self.mm * self.size_between(3, 20)), 0, 1)
            out = out * fade + (1 - fade) * np.float32(self.rng.choice([0.08, 0.9, 0.98]))
        grit = self.texture(0.1, 0.3) + self.texture(0.3, 3) * np.float32(self.between(0, 0.5))
        if self.chance() >= 0.7:
            grit = self.own_noise() * 20
        return out + grit * np.float32(strength * self.size_between(0.004, 0.025))
