"""Rung 2, crop: does the query show the same window of the negative as the reference?

A `Registered` pair in, a `CropFinding` out. The alignment lays the query's picture over the reference's. Where both
cards were cut alike, picture and card edge keep their places and the transform is the identity, but for the scatter of
hand-cut edges and of flattening; another crop shows as a shift or a zoom.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import cv2
import numpy as np

from matcher.core.align.alignment import Alignment
from matcher.core.align.view import picture_corners
from matcher.core.calibration import Calibration, log_gap
from matcher.core.ladder.caption_strips import Start, register_strips
from matcher.core.ladder.ink_correlation import correlate_ink
from matcher.core.ladder.picture_settings import CropSettings
from matcher.core.ladder.registered import Registered
from matcher.core.shared_settings import FaceSize

EDGES = "edges"
"""The rung's model that knows the card's edges alone, by `Window.edge_features`."""

EDGE_NAMES = ("moved", "zoomed", "beyond", "all_round", "even", "stretch")
"""What that model knows of `crop_features`."""


Sides = tuple[float, float, float, float]
"""Millimetres at left, top, right, bottom."""

SIDES = ("left", "top", "right", "bottom")


@dataclass(frozen=True)
class Window:
    """The query's window against the reference's.

    dx, dy:     shift of the picture on the card, mm, positive right and down, query minus reference.
    scale:      size of the picture on the query as a multiple of its size on the reference.
    sigma_mm:   standard error of dx and dy for two copies of one crop.
    margins_mm: what the query shows more (positive) or less than the reference at left, top, right, bottom, counted
                at the cards' edges; mm on the reference.
    stretch:    how much wider than high the query's picture has become against the reference's.
    card_mm:    the nominal width and height, to which a trimmed card is stretched.
    enlarged:   of the query's and the reference's face, see `FaceSize`.
    """

    dx: float
    dy: float
    scale: float
    sigma_mm: float
    margins_mm: Sides
    stretch: float = 1.0
    card_mm: tuple[float, float] = (FaceSize().width_mm, FaceSize().height_mm)
    enlarged: tuple[float, float] = (1.0, 1.0)

    @property
    def on_card(self) -> Window:
        """The same in mm of the cards themselves: the stages count in those of the common card (`FaceSize`)."""
        query, reference = self.enlarged
        if query == reference == 1.0:
            return self
        dx, dy, sigma = (round(value * query, 3) for value in (self.dx, self.dy, self.sigma_mm))
        left, top, right, bottom = (round(margin * reference, 2) for margin in self.margins_mm)
        wide, high = (round(side * query, 3) for side in self.card_mm)
        return replace(
            self, dx=dx, dy=dy, sigma_mm=sigma, margins_mm=(left, top, right, bottom), card_mm=(wide, high),
            scale=round(self.scale * query / reference, 4), enlarged=(1.0, 1.0),
        )  # fmt: skip

    @property
    def untrimmed(self) -> tuple[float, float]:
        """Shift (mm) and zoom (log) that trimming cannot explain.

        Taking t mm off one side stretches that axis by t / length and moves the picture by half of t; a zoom by the
        printer enlarges both axes alike.
        """
        wide = float(np.log(self.scale * np.sqrt(self.stretch)))
        high = float(np.log(self.scale / np.sqrt(self.stretch)))
        across = max(0.0, abs(self.dx) - abs(wide) * self.card_mm[0] / 2)
        down = max(0.0, abs(self.dy) - abs(high) * self.card_mm[1] / 2)
        zoom = min(abs(wide), abs(high)) if wide * high > 0 else 0.0
        return float(np.hypot(across, down)), zoom

    def trimmed_mm(self, settings: CropSettings) -> tuple[Sides, Sides]:
        """What was cut off the query, and off the reference, where both show one crop; 0 where hand-cutting says it."""

        def cut(one: float) -> float:
            return round(one, 1) if one >= settings.trimmed_mm else 0.0

        left, top, right, bottom = self.margins_mm
        return (cut(-left), cut(-top), cut(-right), cut(-bottom)), (cut(left), cut(top), cut(right), cut(bottom))

    def beyond_scissors(self, settings: CropSettings) -> bool:
        """Whether the picture lies where neither hand-cutting nor trimming of one copy would put it."""
        shift, zoom = self.untrimmed
        return shift > settings.scissors_mm or zoom > settings.scissors_zoom

    def features(self, settings: CropSettings) -> dict[str, float]:
        """Distances from 'no change' in units of their scatter, compressed so that far is just far."""
        shift = float(np.hypot(self.dx, self.dy)) / self.sigma_mm
        zoom = abs(float(np.log(max(self.scale, 1e-3)))) / settings.zoom_sigma
        far = min(float(np.hypot(shift, zoom)), settings.far)
        return {"shift": float(np.log1p(shift)), "zoom": float(np.log1p(zoom)), "far": far}

    def apart(self, settings: CropSettings) -> float:
        """0 where the picture lies on both cards alike, towards 1 where hand-cutting does not explain how it lies."""
        return 1 - float(np.exp(-0.5 * (self.features(settings)["far"] / settings.apart_sigmas) ** 2))

    def edge_features(self, settings: CropSettings) -> dict[str, float]:
        """What the card's edges say once trimming is allowed for."""
        shift, zoom = (v / s for v, s in zip(self.untrimmed, (self.sigma_mm, settings.zoom_sigma), strict=True))
        far = min(float(np.hypot(shift, zoom)), settings.far)
        stretch, around = (v / settings.zoom_sigma for v in (abs(float(np.log(self.stretch))), self.all_round))
        return {
            "moved": float(np.log1p(shift)),
            "zoomed": float(np.log1p(zoom)),
            "beyond": far,
            "all_round": float(np.log1p(around)),
            "even": float(np.log1p(max(0.0, zoom - stretch))),
            "stretch": float(np.log1p(stretch)),
        }

    @property
    def all_round(self) -> float:
        """Zoom (log) that every one of the four sides bears out: scissors seldom go round a whole card."""
        sides = np.array(self.margins_mm) / np.array(self.card_mm * 2)
        return 2 * float(np.abs(sides).min()) if abs(np.sign(sides).sum()) == len(sides) else 0.0


@dataclass(frozen=True)
class CropFinding:
    """How likely one crop is, given the window that was measured.

    trims: mm that were cut off query and reference, at left, top, right, bottom, where they show one crop.
    two_formats: the cards are of two formats; what each shows of the negative is told by the window all the same.
    beyond: whether the query runs out of its photo at left, top, right, bottom: nobody sees what was cut off there.
    """

    probability: float
    window: Window

    trims: tuple[Sides, Sides] = ((0.0,) * 4, (0.0,) * 4)
    two_formats: bool = False
    beyond: tuple[bool, bool, bool, bool] = (False,) * 4

    @property
    def words(self) -> str:
        seen, trims = self.window.on_card, self._lost_words
        across, down = (round(value, 1) + 0.0 for value in (seen.dx, seen.dy))  # + 0.0: no "-0.0"
        if self.probability >= 0.5:
            if trims:
                off = max(seen.untrimmed[0], seen.sigma_mm)
                return f"same crop, {trims}: what is left lies as it does there, within {off:.1f} mm"
            off = max(abs(across), abs(down), seen.sigma_mm)
            return f"same crop: the picture lies on the card as it does there, within {off:.1f} mm"
        other = "on a card of another format" if self.two_formats else "another crop"
        return f"{other}: {_margin_words(seen.margins_mm, seen.sigma_mm)}"

    @property
    def _lost_words(self) -> str:
        """What the query does not show of its crop, and what scissors took."""
        sides = [f"at the {side}" for side, out in zip(SIDES, self.beyond, strict=True) if out]
        out = f"this card runs out of its picture {' and '.join(sides)}" if sides else ""
        return ", ".join(filter(None, [out, trim_words(self.trims_on_card)]))

    @property
    def trims_on_card(self) -> tuple[Sides, Sides]:
        """`trims` in mm of the cards themselves."""
        query, reference = (
            _larger(sides, larger) for sides, larger in zip(self.trims, self.window.enlarged, strict=True)
        )
        left, top, right, bottom = (0.0 if out else mm for mm, out in zip(query, self.beyond, strict=True))
        return (left, top, right, bottom), reference


def _larger(sides: Sides, times: float) -> Sides:
    left, top, right, bottom = (round(mm * times, 1) for mm in sides)
    return left, top, right, bottom


def judge_crop(pair: Registered, calibration: Calibration) -> CropFinding:
    """Measure the window that the alignment implies, and how likely one and the same crop gives it."""
    settings = pair.settings.crop
    window = window_of(pair)
    if pair.two_formats:
        return CropFinding(0.0, window, two_formats=True)
    most = _edges_alone(window, calibration, settings)
    if most <= settings.hopeless or (most <= settings.ruled_out and not pair.worded):
        return CropFinding(most, window)
    return _found(crop_probability(window, crop_features(pair), calibration, settings), window, settings)


def same_window(pair: Registered, calibration: Calibration) -> float | None:
    """How likely the picture lies on both cards alike, by their edges alone; None on cards of two formats."""
    if pair.two_formats:
        return None
    return calibration.probability(EDGES, window_of(pair).edge_features(pair.settings.crop))


def crop_probability(
    window: Window, features: Mapping[str, float], calibration: Calibration, settings: CropSettings
) -> float:
    """That both show one crop, by a window and its `crop_features`."""
    most = 1.0 if features["worded"] else _edges_alone(window, calibration, settings)
    return min(calibration.probability("crop", features), most)


def _found(probability: float, window: Window, settings: CropSettings) -> CropFinding:
    """With what was trimmed, where it is one crop."""
    if probability < 0.5:
        return CropFinding(probability, window)
    return CropFinding(probability, window, window.trimmed_mm(settings))


def _edges_alone(window: Window, calibration: Calibration, settings: CropSettings) -> float:
    """The most that the card's edges allow; 1 where scissors explain what was measured.

    Beyond scissors, what fits "with the picture" may be picture: on a card without words it always does.
    """
    if not window.beyond_scissors(settings):
        return 1.0
    return calibration.probability(EDGES, window.edge_features(settings))


def known_crop(pair: Registered, probability: float) -> CropFinding:
    """The window against a reference whose crop another reference of it has already settled."""
    if pair.two_formats:
        return CropFinding(0.0, window_of(pair), two_formats=True)
    return _found(probability, window_of(pair), pair.settings.crop)


def crop_features(pair: Registered) -> dict[str, float]:
    """How far the picture has moved on the card, and whether the printed words have moved with it.

    Words and picture were printed together: on one crop the words fit where the picture's transform puts them,
    wherever the scissors went; on another crop they fit where the card's edges put them, and not there. Where picture
    and edges agree they are not asked: on one crop under other words they fit nowhere.
    """
    settings, window = pair.settings.crop, window_of(pair)
    apart = window.apart(settings)
    said = _said_by_words(pair) if apart >= settings.least_apart else dict.fromkeys(SAID, 0.0)
    return {
        **window.features(settings),
        **window.edge_features(settings),
        **{name: apart * value for name, value in said.items()},
        "worded": float(pair.worded),
    }


FITS = ("picture_whole", "picture_word", "picture_best", "edges_best", "edges_whole", "edges_word")

SAID = (*FITS, *(f"{name}_by_ink" for name in FITS), "ink", "covered")


def _said_by_words(pair: Registered) -> dict[str, float]:
    """How well the words fit where the picture has them, and where the card's edges do; by the names of `SAID`."""
    settings = pair.settings
    beside_picture = Start(pair.alignment.transform, pair.uncovered, settings.crop.tight_mm)
    beside_edges = Start(np.eye(3), pair.query.face.trusted, settings.crop.loose_mm)
    with_picture, with_edges = (
        correlate_ink(register_strips(pair, start), settings.ink, slack=0) for start in (beside_picture, beside_edges)
    )
    ink, word_px = max(0.0, min(with_picture.ink)), 2.0 * settings.ink.letter_px
    fits = {
        "picture_whole": log_gap(1 - with_picture.agreement, 0.03),
        "picture_word": log_gap(with_picture.worst(word_px), 0.06),
        "picture_best": log_gap(1 - with_picture.best(word_px), 0.05),
        "edges_best": log_gap(1 - with_edges.best(word_px), 0.05),
        "edges_whole": log_gap(1 - with_edges.agreement, 0.03),
        "edges_word": log_gap(with_edges.worst(word_px), 0.06),
    }
    by_ink = {f"{name}_by_ink": value * ink for name, value in fits.items()}
    return {**fits, **by_ink, "ink": ink, "covered": 1 - with_picture.shown}


def window_of(pair: Registered) -> Window:
    """The query's window relative to the reference's, a lens's error taken out."""
    without_lens = replace(pair.alignment, transform=pair.straight)
    return measure_crop(without_lens, pair.query.face.size, pair.settings.crop, pair.reference.face.size)


def measure_crop(
    alignment: Alignment, size: FaceSize, settings: CropSettings | None = None, reference: FaceSize | None = None
) -> Window:
    """The query's window relative to the reference's, in mm of their faces.

    size: of the query's face; reference: of the other one's, the same if not given.
    """
    settings, reference = settings or CropSettings(), reference or size
    zone = picture_corners(size)
    landed = cv2.perspectiveTransform(zone[None], alignment.transform)[0]
    # On cards of two formats counted from the middle of each.
    apart = np.array([size.width - reference.width, size.height - reference.height]) / 2
    dx, dy = (round(float(v), 3) for v in (zone.mean(axis=0) - apart - landed.mean(axis=0)) / size.px_per_mm)
    sigma = float(np.hypot(settings.cut_sigma_mm, alignment.sigma_px / size.px_per_mm))
    sides, own = (np.linalg.norm(np.roll(one, -1, axis=0) - one, axis=1) for one in (landed, zone))
    # Sides come in the order top, right, bottom, left.
    stretch = float((sides[[1, 3]].sum() / own[[1, 3]].sum()) / (sides[[0, 2]].sum() / own[[0, 2]].sum()))
    # By the areas: under perspective the transform's own entries tell the scale of its first pixel alone.
    areas = [abs(cv2.contourArea(one.astype(np.float32))) for one in (zone, landed)]
    scale, card = round(float(np.sqrt(areas[0] / max(areas[1], 1.0))), 4), (size.width_mm, size.height_mm)
    enlarged = (size.enlarged, reference.enlarged)
    margins = _margins_mm(alignment, size, reference)
    return Window(dx, dy, scale, round(sigma, 3), margins, round(stretch, 4), card, enlarged)


def _margins_mm(alignment: Alignment, size: FaceSize, reference: FaceSize) -> Sides:
    """How far the query's edges lie beyond the reference's, in the middle of each side."""
    right, bottom = size.width - 0.5, size.height - 0.5  # pixel centres are counted
    across, down = (right - 0.5) / 2, (bottom - 0.5) / 2
    edges = np.array([[-0.5, down], [across, -0.5], [right, down], [across, bottom]])
    landed = cv2.perspectiveTransform(edges[None], alignment.transform)[0]
    wide, low_edge = reference.width - 0.5, reference.height - 0.5
    theirs = np.array([[-0.5, down], [across, -0.5], [wide, down], [across, low_edge]])
    outwards = (theirs - landed) / size.px_per_mm * np.array([[1, 1], [1, 1], [-1, -1], [-1, -1]])
    left, top, far, low = (round(float(value), 2) for value in outwards[[0, 1, 2, 3], [0, 1, 0, 1]])
    return left, top, far, low


def trim_words(trims: tuple[Sides, Sides]) -> str:
    """Which card was trimmed at which sides, and by how much; empty where neither was.

    >>> trim_words(((1.4, 0, 0, 1.1), (0, 0, 0, 0)))
    'this card trimmed about 1.4 mm at the left and 1.1 mm at the bottom'
    """
    told = []
    for card, sides in zip(("this card", "the reference"), trims, strict=True):
        parts = [f"{mm:.1f} mm at the {side}" for side, mm in zip(SIDES, sides, strict=True) if mm]
        if parts:
            told.append(f"{card} trimmed about {' and '.join(filter(None, [', '.join(parts[:-1]), parts[-1]]))}")
    return ", ".join(told)


def _margin_words(margins: Sides, sigma: float) -> str:
    sides = zip(SIDES, margins, strict=True)
    parts = [f"{abs(m):.1f} mm {'more' if m > 0 else 'less'} at the {side}" for side, m in sides if abs(m) >= 0.5]
    return f"it shows {', '.join(parts)} (± {sigma:.1f} mm)" if parts else "its margins differ by less than 0.5 mm"
