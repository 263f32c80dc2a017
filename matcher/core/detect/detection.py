"""Stage 2: a `Photo` in, the outlines of every card in it out.

A page of many cards on one even ground is cut by the cards' common size. Otherwise quads are proposed by independent
searches (long straight lines; regions that stand out; the full picture), scored alike, thinned to one outline a card,
and refined on the photo's own pixels. Helpers live in `matcher.core.detect`.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from matcher.core.detect.card_quad import CardQuad, Detections
from matcher.core.detect.card_sizes import as_portrait, distinct_sizes, fitting_sizes, shapes_of
from matcher.core.detect.closer_look import closer_look
from matcher.core.detect.edge_search import edge_quads
from matcher.core.detect.flatbed_layout import FlatbedPage, flatbed_quads
from matcher.core.detect.full_frame import fills_frame
from matcher.core.detect.geometry import area, clockwise_portrait, nearest_shape, true_ratio
from matcher.core.detect.lone_card import lone_piece, whole_card
from matcher.core.detect.mount_around import misses_shape, on_their_mounts
from matcher.core.detect.no_card import cut_off, inside_a_card, part_of_a_card
from matcher.core.detect.proposals import LineQuads
from matcher.core.detect.quad_search import RankedQuads, overlap, search_quads
from matcher.core.detect.reduced_image import ReducedImage, reduce
from matcher.core.detect.refinement import refine
from matcher.core.detect.settings import DetectSettings, Reach
from matcher.core.detect.shadow_rim import out_of_shadow
from matcher.core.detect.suppression import companions
from matcher.core.detect.turning import in_reading_order, right_way_up
from matcher.core.photo import Photo
from matcher.core.shared_settings import FaceSize

CAMERAS = np.array([1, 4 / 5, 3 / 4, 2 / 3, 5 / 8, 9 / 16, 1 / 2, 6 / 13, 9 / 20])
"""Proportions of pictures as cameras, telephones and screens make them; common practice, no source."""

SAME_PLACE = 0.5
"""Intersection over union from which two outlines are of one card; own choice."""

ANY_SHAPE = (0.35, 1.0)
"""Widths over heights between which something may be a card of no known format; own choice."""


def detect(
    photo: Photo, sizes: FaceSize | Sequence[FaceSize] | None = None, settings: DetectSettings = DetectSettings()
) -> Detections:
    """Find every card in the photo.

    sizes: of the formats that may be in it, either way up; the common one if none is given. Where no card of them is
    seen, the clearest of any other shape is given, as `odd`. What is `bare` may be no card: its words are still to be
    asked (`ocr.way_up.as_words_stand`).
    Of a card's two portrait readings the one is given that stands upright by what is seen on the card, or, where that
    tells little, the one nearer to upright in the photo.
    Gives a falsy `Detections` with a reason in words where no card is seen. Raises nothing of its own.
    """
    sizes = (sizes,) if isinstance(sizes, FaceSize) else tuple(sizes or (FaceSize(),))
    picture = reduce(photo, settings.reduction)
    found = _Detector(photo, sizes, settings.for_shapes([size.aspect for size in sizes]), picture).cards()
    if found:
        return found
    odd = _Detector(photo, sizes, settings.for_shapes(ANY_SHAPE), picture).odd_cards()
    return replace(odd, unsure=found.unsure) if odd else found


@dataclass(frozen=True)
class _Detector:
    """One photo with what it is looked at by."""

    photo: Photo
    sizes: tuple[FaceSize, ...]
    settings: DetectSettings
    picture: ReducedImage

    def cards(self) -> Detections:
        """A page of cards; else cards whose edges are seen; else the full picture, if it may be one."""
        px_per_mm = self.photo.dpi / 25.4 * self.picture.scale[1] if self.photo.dpi else None
        page = flatbed_quads(self.picture, distinct_sizes(self.sizes, 0.0), px_per_mm, self.settings.flatbed)
        if len(page.quads):
            return self._of_page(page)
        lines = LineQuads(self.picture, self.settings)
        ranked = search_quads(self.picture, self._looked_for, px_per_mm, self.settings, lines)
        if ranked.best < self.settings.choice.settled:
            nearer = closer_look(self.photo, self.picture, self._looked_for, ranked, self.settings)
            ranked = nearer if nearer.best > max(ranked.best, self.settings.found) else ranked
        if ranked.best < self.settings.found or self._fills(ranked.quads[0]):
            filled = self._full_frame(ranked)
            if filled:
                return self._by_edges(lines, RankedQuads.none(), ranked, self._lies_on_a_lid) or filled
            return self._by_edges(lines, RankedQuads.none(), ranked) or self._cut_to_shape() or filled
        around = self._by_edges(lines, ranked, RankedQuads.none())
        if around:
            return around
        told = self._told(ranked)
        outlines = []
        for i, quad in zip(told, self._on_mounts(ranked.quads[told], lines), strict=True):
            other = ranked.runner_up[i] if np.array_equal(quad, ranked.quads[i]) else ranked.quads[i]
            corners, score = self._refined(quad), round(float(ranked.scores[i]), 3)
            outlines.append(CardQuad(corners, score, self._refined_or_none(other), sizes=self._sizes_of(corners)))
        return self._in_order([self._as_it_lies(outlines[0])] if len(outlines) == 1 else outlines)

    def _on_mounts(self, found: NDArray[np.float32], lines: LineQuads) -> NDArray[np.float32]:
        """(n, 4, 2) what was found, each print with the mount around it."""
        shapes, settings = shapes_of(self._looked_for), self.settings.mount
        if not misses_shape(self.picture, found, shapes, settings).any():
            return found
        clear, _ = edge_quads(self.picture, shapes, lines, self.settings)
        return on_their_mounts(self.picture, found, clear, shapes, settings)

    def _as_it_lies(self, found: CardQuad) -> CardQuad:
        """The one card that was found, with what else of it lies on the lid, where that makes it whole."""
        settings = self.settings.lone
        piece = lone_piece(self.picture, settings, self.settings.flatbed)
        if piece is None:
            return found
        around, shapes = self._refined(piece, settings.reach), shapes_of(self._looked_for)
        corners = whole_card(found.corners, around, shapes, settings)
        if corners is found.corners:
            return found
        return replace(found, corners=corners, runner_up=found.corners, sizes=self._sizes_of(corners))

    def _told(self, ranked: RankedQuads) -> NDArray[np.intp]:
        """The likeliest and the cards beside it; those that the picture cuts off only where no whole one is there."""
        near = companions(ranked.quads, ranked.scores, self.settings.found, self._relative_heights)
        part = cut_off(self.picture, ranked.quads[near], shapes_of(self._looked_for), self.settings.choice)
        return near if part.all() else near[~part]

    def _by_edges(
        self,
        lines: LineQuads,
        found: RankedQuads,
        doubted: RankedQuads,
        counts: Callable[[NDArray[np.float32]], bool] | None = None,
    ) -> Detections:
        """Cards by their edges alone; where others were found already, those that such a one lies well around.

        doubted: what was seen as too unlikely to be a card. counts: which outlines do; all, or those around others.
        """
        # What the common format's cards usually look like is known: the classifiers were fitted on them. Where nothing
        # looks so, it may be one on a coloured mount, on a ground that was never drawn.
        sizes = [size for size in self.sizes if not (found.best and as_portrait(size).same_card(FaceSize()))]
        if not sizes:
            return Detections(())
        around = partial(self._lies_around, found) if found.best else counts
        shapes = shapes_of(distinct_sizes(sizes, self.settings.alike))
        quads, scores = edge_quads(self.picture, shapes, lines, self.settings, around)
        if not len(quads):
            return Detections((), _reason(found.best))
        near = companions(quads, scores, self.settings.found, self._relative_heights)
        return self._in_order([self._by_its_edges(quads[i], float(scores[i]), doubted) for i in near])

    def _by_its_edges(self, quad: NDArray[np.float32], score: float, doubted: RankedQuads) -> CardQuad:
        """Edges tell that a card is there; of its outlines the classifiers may know better."""
        other, choice = doubted.quads[0] if doubted.best else None, self.settings.choice
        if other is None or self._is_frame(other) or not SAME_PLACE < overlap(quad, other) < choice.another:
            other = None
        elif doubted.best >= choice.rival:
            quad, other = other, quad
        corners = self._refined(quad)
        return CardQuad(corners, round(score, 3), self._refined_or_none(other), sizes=self._sizes_of(corners))

    def _lies_around(self, found: RankedQuads, quad: NDArray[np.float32]) -> bool:
        """A picture on a cover has any shape; what surely is a card, and has its shape, is one in a holder, unless it
        is small."""
        inner = found.quads[0]
        larger = float(area(quad[None])[0] / max(float(area(inner[None])[0]), 1.0))
        ratios = true_ratio(inner[None].astype(np.float64), self.picture.width, self.picture.height)
        off = float(np.abs(np.log(ratios / nearest_shape(ratios, shapes_of(self._looked_for))))[0])
        edges = self.settings.edges
        least = edges.holder if off < edges.shape and found.best >= edges.most_sure else edges.around
        return larger > least and overlap(quad, inner) > 0.9 / larger

    def _lies_on_a_lid(self, quad: NDArray[np.float32]) -> bool:
        """Whether more is left around it, on all sides, than any print leaves of its mount; and it is no part of what
        is printed on a card, a door or a garment's front."""
        choice, picture = self.settings.choice, self.picture
        rim = np.minimum(quad, np.array([picture.width, picture.height]) - quad).min() / max(
            picture.width, picture.height
        )
        share = float(area(quad[None])[0]) / (picture.width * picture.height)
        lies = bool(rim > choice.lid) and choice.lying_least < share < choice.rimmed_most
        return lies and not part_of_a_card(picture, quad)

    def odd_cards(self) -> Detections:
        """Things with a card's edges that have the shape of no known format."""
        quads, scores = edge_quads(self.picture, None, LineQuads(self.picture, self.settings), self.settings)
        outlines = []
        for i in companions(quads, scores, self.settings.found) if len(quads) else ():
            corners = self._refined(quads[i])
            shape = float(true_ratio(corners[None].astype(np.float64), self.photo.width, self.photo.height)[0])
            known = min(abs(np.log(shape / as_portrait(size).aspect)) for size in self.sizes)
            if known > self.settings.edges.shape / 2:  # nearer ones have been looked at as that format, and were none
                outlines.append(CardQuad(corners, round(float(scores[i]), 3), odd=True))
        return self._in_order(outlines) if outlines else Detections((), _reason(0.0))

    @property
    def _looked_for(self) -> tuple[FaceSize, ...]:
        """The shapes that are looked for, as portrait: where no scan tells mm, formats of nearly one shape as one."""
        return distinct_sizes(self.sizes, 0.0 if self.photo.dpi else self.settings.alike)

    @property
    def _relative_heights(self) -> float:
        """The longest of the cards over the shortest."""
        longest = [max(size.card_mm) for size in self.sizes]
        return max(longest) / min(longest)

    def _sizes_of(self, corners: NDArray[np.float32]) -> tuple[FaceSize, ...]:
        return fitting_sizes(self.photo, corners, self.sizes, self.settings)

    def _of_page(self, page: FlatbedPage) -> Detections:
        fine, touching = self.settings.refinement.fine, self.settings.refinement.touching
        pairs = zip(page.quads, page.alone, strict=True)
        refined = [self._refined(quad, fine if alone else touching) for quad, alone in pairs]
        cards = [
            CardQuad(corners, self.settings.on_page, sizes=self._of_size(size))
            for corners, size in zip(refined, page.sizes, strict=True)
        ]
        heaps = [clockwise_portrait(quad / np.array(self.picture.scale)).astype(np.float32) for quad in page.heaps]
        odd = [CardQuad(quad, self.settings.found, odd=True, heap=True) for quad in heaps]
        return in_reading_order(self.photo, [*cards, *odd], self.settings.upright_log_odds)

    def _of_size(self, portrait: FaceSize) -> tuple[FaceSize, ...]:
        """The known sizes that are this one, either way up."""
        return tuple(size for size in self.sizes if as_portrait(size) == portrait)

    def _full_frame(self, ranked: RankedQuads) -> Detections:
        """Where no edge of a card is seen, the full picture may still be one, cut to its edges."""
        photo, settings = self.photo, self.settings
        probability = fills_frame(photo, self.picture, shapes_of(self._looked_for), settings.proposals)
        if probability < self._filled:
            reason = _reason(min(max(ranked.best, probability), settings.found - 0.01))
            return Detections((), reason, self._unsure(ranked))
        first_is_frame = len(ranked.quads) and self._fills(ranked.quads[0])
        runner_up = self._refined_or_none(ranked.runner_up[0] if first_is_frame else None)
        corners, score = _frame_of(photo), round(max(probability, settings.found), 3)
        card = CardQuad(corners, score, runner_up, sizes=self._sizes_of(corners))
        return self._in_order([card])

    @property
    def _filled(self) -> float:
        """How likely a full picture must be one card to be called so."""
        if self._is_camera_frame():
            return self.settings.camera_filled
        return self.settings.filled_and_seen if inside_a_card(self.picture) else self.settings.found

    def _cut_to_shape(self) -> Detections:
        """Where no card is seen in a picture that has a format's proportions, and no camera's, somebody has cut it to
        the card, whatever is printed on it. What the common format's cards look like is known."""
        others = [size for size in self.sizes if not as_portrait(size).same_card(FaceSize())]
        edges, blank = self.settings.edges, self.picture.lab[..., 0].std() < self.settings.edges.texture
        if not others or blank or _nearest(self.photo, CAMERAS) < self.settings.camera_tolerance:
            return Detections(())
        if _nearest(self.photo, shapes_of([as_portrait(size) for size in others])) > edges.cut:
            return Detections(())
        corners = _frame_of(self.photo)
        card = CardQuad(corners, edges.cut_score, sizes=fitting_sizes(self.photo, corners, others))
        return in_reading_order(self.photo, [card], self.settings.upright_log_odds)

    def _unsure(self, ranked: RankedQuads) -> tuple[CardQuad, ...]:
        """What a match may still show to be a card's outline."""
        settings = self.settings
        likely = [i for i, score in enumerate(ranked.scores) if score >= settings.unsure][: settings.most_unsure]
        quads = [CardQuad(self._refined(ranked.quads[i]), round(float(ranked.scores[i]), 3)) for i in likely]
        return tuple(right_way_up(self.photo, one, settings.upright_log_odds) for one in quads)

    def _in_order(self, outlines: list[CardQuad]) -> Detections:
        """All of them the right way up; what has no more of a card than its edges as `bare`."""
        found = in_reading_order(self.photo, outlines, self.settings.upright_log_odds)
        return replace(found, found=tuple(replace(one, bare=self._is_bare(one)) for one in found))

    def _is_bare(self, outline: CardQuad) -> bool:
        odds = _log_odds(outline.score) + (outline.has_up or 0.0)
        if odds >= self.settings.unseen or outline.odd:
            return False
        return not self.picture.sees_card and not inside_a_card(self.picture)

    def _refined(self, quad: NDArray[np.float32], reach: Reach | None = None) -> NDArray[np.float32]:
        """The quad on the photo's own pixels; where it is the full picture, there is no edge to look for."""
        refinement = self.settings.refinement
        scaled = np.asarray(quad / np.array(self.picture.scale), dtype=np.float32)
        if not self._is_frame(quad):
            reach = reach or refinement.fine
            high = FaceSize().height_mm
            on_edges = refine(self.photo.pixels, scaled[None], high, reach, refinement)
            scaled = out_of_shadow(self.photo.pixels, on_edges, high, refinement.shadow)[0]
        return np.asarray(clockwise_portrait(scaled), dtype=np.float32)

    def _refined_or_none(self, quad: NDArray[np.float32] | None) -> NDArray[np.float32] | None:
        return None if quad is None else self._refined(quad)

    def _is_frame(self, quad: NDArray[np.float32]) -> bool:
        far = np.array([self.picture.width, self.picture.height], np.float32)
        return bool((np.minimum(np.abs(quad), np.abs(quad - far)) < 0.01).all())

    def _fills(self, quad: NDArray[np.float32]) -> bool:
        """Whether it is the full picture, or as good as."""
        return bool(area(quad[None])[0] > self.settings.choice.full * self.picture.width * self.picture.height)

    def _is_camera_frame(self) -> bool:
        """Whether the picture has a telephone's proportions exactly, and is as large as its pictures are."""
        if max(self.photo.width, self.photo.height) < self.settings.camera_least:
            return False
        return _nearest(self.photo, np.array([9 / 16])) < self.settings.camera_tolerance


def _log_odds(score: float) -> float:
    """Of a score that is told in thousandths."""
    held = float(np.clip(score, 0.0005, 0.9995))
    return float(np.log(held / (1 - held)))


def _nearest(photo: Photo, shapes: NDArray[np.float64]) -> float:
    """How far the picture's own proportions are from the nearest of the shapes (k,), as a natural logarithm."""
    short, long = sorted((photo.width, photo.height))
    return float(np.abs(np.log(short / long / shapes)).min())


def _frame_of(photo: Photo) -> NDArray[np.float32]:
    """(4, 2) the full picture, as portrait."""
    frame = np.array([[0, 0], [photo.width, 0], [photo.width, photo.height], [0, photo.height]], np.float32)
    return np.asarray(clockwise_portrait(frame), np.float32)


def _reason(best: float) -> str:
    if best < 0.01:
        return "no card found: nothing with four straight sides stands out from its surroundings"
    return f"no card found: the best outline is only {best:.0%} likely to be a card's"
