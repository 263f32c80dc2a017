"""The pool of quads that are scored: proposals from lines and regions, the best of them moved onto edges near them."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from matcher.core.detect.caption_extension import to_nominal, with_caption
from matcher.core.detect.finder import finder_quads, witness
from matcher.core.detect.geometry import Array, area, clockwise_portrait, is_convex, nearest_shape, ratio
from matcher.core.detect.line_proposals import line_quads
from matcher.core.detect.proposal_settings import ProposalSettings
from matcher.core.detect.quad_classifier import HEIGHT_MM
from matcher.core.detect.reduced_image import ReducedImage, soften
from matcher.core.detect.refinement import refine
from matcher.core.detect.region_proposals import region_quads
from matcher.core.detect.sampling import outward, side_points
from matcher.core.detect.scoring import measure, score
from matcher.core.detect.settings import DetectSettings, RefinementSettings

Quads = NDArray[np.float32]


@dataclass(frozen=True)
class LineQuads:
    """What straight lines propose, whatever the format; each search once a picture."""

    picture: ReducedImage
    settings: DetectSettings

    @cached_property
    def sharp(self) -> Quads:
        """(n, 4, 2) float32 of the picture as it is."""
        lines = self.settings.proposals.lines
        return line_quads(self.picture, lines.quads, lines)

    @cached_property
    def softened(self) -> Quads:
        """(n, 4, 2) float32 of the picture without grain, weave and drawn lines."""
        lines = self.settings.proposals.lines
        softened = soften(self.picture)
        return (2 * line_quads(softened, lines.softened_quads, lines)).astype(np.float32)


def propose_quads(
    picture: ReducedImage,
    shapes: Array,
    settings: DetectSettings = DetectSettings(),
    lines: LineQuads | None = None,
    of_regions: Quads | None = None,
) -> Quads:
    """(n, 4, 2) float32 quads in reduced pixels, portrait order; first the full picture where it may be a card.

    shapes: (k,) widths over heights, as portrait. lines, of_regions: the picture's, where they are known already.
    """
    proposing = settings.proposals
    if of_regions is None:
        of_regions = region_quads(picture, shapes, proposing.regions)
    quads = _proposals(picture, shapes, settings, lines or LineQuads(picture, settings), of_regions)
    pool = versions(picture, quads, shapes, settings.refinement, proposing.lying)
    found = np.concatenate([frame_quad(picture, shapes, proposing), pool])
    return np.asarray(clockwise_portrait(found), np.float32)


def frame_quad(picture: ReducedImage, shapes: Array, settings: ProposalSettings = ProposalSettings()) -> Quads:
    """(0 or 1, 4, 2): the full picture, where it has about a card's proportions: pictures of lots are often cut to the
    card."""
    w, h = picture.width, picture.height
    tolerance, blank = settings.frame_tolerance, picture.lab[..., 0].std() < settings.blank_levels
    if np.abs(np.log(min(w, h) / max(w, h) / shapes)).min() > tolerance or blank:
        return np.empty((0, 4, 2), np.float32)
    return np.array([[[0, 0], [w, 0], [w, h], [0, h]]], np.float32)


def _proposals(
    picture: ReducedImage, shapes: Array, settings: DetectSettings, lines: LineQuads, of_regions: Quads
) -> Quads:
    """Those that are worth a closer look: the best of all, and the largest region that looks well, whatever lines there
    are.

    A card with stripes or a window's bars on it gives dozens of quads from lines that its own outline is among.
    """
    proposing = settings.proposals
    most = max(proposing.measured // 2, proposing.measured - len(of_regions))
    of_lines = edged(picture, lines.sharp, proposing, most)
    quads = np.concatenate([of_regions, of_lines])
    scores = first_score(picture, quads, shapes)
    if scores.max(initial=0) < proposing.plain:
        quads = np.concatenate([quads, lines.softened])
        scores = np.concatenate([scores, first_score(picture, lines.softened, shapes)])
    best = distinct(quads, scores, proposing, proposing.looked_at)
    outline = _largest(of_regions, scores[: len(of_regions)], proposing)
    chosen = quads[[*best, *(i for i in outline if i not in best)]]
    return np.asarray(np.concatenate([chosen, _learnt(picture, chosen, proposing)]), np.float32)


def seen_quads(picture: ReducedImage, settings: ProposalSettings = ProposalSettings()) -> Quads:
    """(n, 4, 2) what the network takes for cards, in reduced pixels."""
    quads = clockwise_portrait(finder_quads(picture.response)).astype(np.float32)
    return np.asarray(quads[is_convex(quads) & (ratio(quads) > settings.regions.slenderest)], np.float32)


def _learnt(picture: ReducedImage, chosen: Quads, settings: ProposalSettings) -> Quads:
    """(n, 4, 2) what the network takes for cards, where nothing chosen lies there yet, the surest first."""
    quads = seen_quads(picture, settings)
    if not len(quads):
        return quads
    surest = witness(picture.response, quads, HEIGHT_MM)[:, 0]
    kept: list[Quads] = []
    for i in np.argsort(-surest):
        others = np.concatenate([chosen, np.array(kept, np.float32).reshape(-1, 4, 2)])
        reach = settings.alike * float(np.ptp(quads[i], axis=0).max())
        if len(kept) < settings.learnt and not (np.abs(others - quads[i]).max(axis=(1, 2)) < reach).any():
            kept.append(quads[i])
    return np.array(kept, np.float32).reshape(-1, 4, 2)


def _largest(regions: Quads, scores: NDArray[np.float32], settings: ProposalSettings) -> list[int]:
    """The number of the largest region that looks well, in the outline that looks best; none where none does."""
    covered = np.where(scores >= settings.good_region, np.abs(area(regions)), 0.0)
    if not covered.any():
        return []
    about_as_large = covered > 0.9 * covered.max()
    return [int(np.argmax(np.where(about_as_large, scores, 0.0)))]


def edged(picture: ReducedImage, quads: Quads, settings: ProposalSettings, most: int) -> Quads:
    """The `most` quads along whose sides the gradient is strongest, a look that all can have."""
    if len(quads) <= most:
        return quads
    offsets = np.array([-2, -1, 0, 1, 2], np.float32)
    points = side_points(quads, np.linspace(0.06, 0.94, 12, dtype=np.float32))[..., None, :]
    normal = outward(quads)[:, :, None, None]
    x, y = np.moveaxis(points + offsets[:, None] * normal, -1, 0).astype(np.int32)
    slope = picture.slope[np.clip(y, 0, picture.height - 1), np.clip(x, 0, picture.width - 1)]
    along = np.abs((slope * normal).sum(axis=-1)).max(axis=-1)
    side = np.sort(np.minimum(along, 1.5).mean(axis=2), axis=1)
    worth = side @ np.array(settings.edge_weights, np.float32)
    return np.asarray(quads[np.sort(np.argsort(-worth)[:most])])


def first_score(picture: ReducedImage, quads: Quads, shapes: Array) -> NDArray[np.float32]:
    if not len(quads):
        return np.empty(0, np.float32)
    evidence = measure(picture, quads, HEIGHT_MM)
    return score(evidence, nearest_shape(evidence.ratio, shapes))


def distinct(quads: Quads, scores: NDArray[np.float32], settings: ProposalSettings, most: int) -> list[int]:
    """Indices, best first, of at most `most` proposals that differ from each other."""
    kept: list[int] = []
    for i in np.argsort(-scores):
        if scores[i] < settings.worth_a_look or len(kept) >= most:
            break
        reach = settings.alike * float(np.ptp(quads[i], axis=0).max())
        if not kept or np.abs(quads[kept] - quads[i]).max(axis=(1, 2)).min() > reach:
            kept.append(int(i))
    return kept


def versions(
    picture: ReducedImage, quads: Quads, shapes: Array, settings: RefinementSettings, lying: bool = False
) -> Quads:
    """Of each quad: as it is; on the edges near it; lengthened over a plain strip or to the nominal proportions.

    lying: some cards are landscape, their captions along a long side.
    """
    snapped = refine(picture.lab, quads, HEIGHT_MM, settings.wide, settings)
    longer = [(with_caption(picture, quad, HEIGHT_MM, float(shapes.min())), quad) for quad in snapped]
    if lying:
        longer += [(with_caption(picture, quad, HEIGHT_MM, float(shapes.max()), lying=True), quad) for quad in snapped]
    changed = [new for new, old in longer if not np.array_equal(new, old)]
    stretched = [new for quad in snapped for new in to_nominal(picture, quad, shapes)]
    none = np.empty((0, 4, 2), np.float32)
    stretched_quads = np.array(stretched, np.float32).reshape(-1, 4, 2)
    ends = refine(picture.lab, stretched_quads, HEIGHT_MM, settings.wide, settings)
    return np.concatenate([quads, snapped, np.stack(changed) if changed else none, ends])
