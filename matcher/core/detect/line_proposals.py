"""Quads from straight lines: a gradient-directed Hough vote, supported segments, pairs of pairs.

Straight sides are found even where they are faint or broken: the gradient is normalised locally, and a line is
judged by the share of its length that has an edge along it, not by contrast.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from matcher.core.detect.geometry import clockwise_portrait, intersect, is_convex, sides, skew
from matcher.core.detect.proposal_settings import LineSettings
from matcher.core.detect.reduced_image import ReducedImage


@dataclass(frozen=True)
class Segments:
    """Supported stretches of straight lines.

    lines:   (n, 3) float, unit normal and distance: a x + b y = c.
    span:    (n, 2) float, start and end along the line's direction (-b, a).
    worth:   (n,) float, supported length, more where the colours on the two sides differ.
    support: (n, t) float, running sum of support along the line, index = (position + origin) / stride.
    polarity: (n, t) float, running sum of signed support.
    origin:  pixels; stride: pixels between samples.
    """

    lines: NDArray[np.float32]
    span: NDArray[np.float32]
    worth: NDArray[np.float32]
    support: NDArray[np.float32]
    polarity: NDArray[np.float32]
    origin: int
    stride: int


Pairs = tuple[NDArray[np.intp], NDArray[np.intp]]
"""(k,) and (k,) numbers of segments that may be opposite sides of one card."""


def line_quads(picture: ReducedImage, limit: int, settings: LineSettings = LineSettings()) -> NDArray[np.float32]:
    """(n, 4, 2) quads in reduced pixels, near-duplicates removed.

    At most `limit` of four lines, best supported first, and a third as many of two lines and their ends.
    """
    segments = _supported(picture, _vote(picture, settings), settings)
    if len(segments.lines) < 4:
        return np.empty((0, 4, 2), np.float32)
    long_side = max(picture.width, picture.height)
    shortest = settings.shortest_side * long_side
    pairs = _parallel_pairs(segments, long_side, settings)
    quads, worth = _pairs_of_pairs(segments, pairs, shortest, settings)
    more, more_worth = _from_two_sides(segments, pairs, shortest, settings)
    found = (_distinct(quads, worth, limit, settings.alike), _distinct(more, more_worth, limit // 3, settings.alike))
    return np.concatenate(found)


def _vote(picture: ReducedImage, settings: LineSettings) -> NDArray[np.float32]:
    """(k, 3) lines: peaks of a Hough vote in which every thin edge votes near its own gradient direction."""
    y, x = np.nonzero(picture.edges)
    if len(x) > settings.most_edges:
        chosen = np.linspace(0, len(x) - 1, settings.most_edges).astype(int)
        y, x = y[chosen], x[chosen]
    slope = picture.slope[y, x]
    weight = np.minimum(np.linalg.norm(slope, axis=1), 2.0)
    angles = settings.angles
    own = np.round(np.arctan2(slope[:, 1], slope[:, 0]) * (angles / np.pi)).astype(np.int32)
    reach = int(np.hypot(picture.width, picture.height)) + 2
    angle = np.arange(angles) * (np.pi / angles)
    cosine, sine = np.cos(angle).astype(np.float32), np.sin(angle).astype(np.float32)
    fx, fy = x.astype(np.float32) + 0.5, y.astype(np.float32) + 0.5
    spread = np.arange(-4, 5, 2, dtype=np.int32)[:, None]
    bin_ = (own + spread + (np.arange(len(own), dtype=np.int32) & 1)) % angles
    distance = np.rint(fx * cosine[bin_] + fy * sine[bin_]).astype(np.int32) + reach
    place = (bin_ * (2 * reach) + distance).ravel()
    votes = np.bincount(place, np.tile(weight, len(spread)), minlength=angles * 2 * reach).astype(np.float32)
    table = np.asarray(cv2.GaussianBlur(votes.reshape(angles, 2 * reach), (3, 5), 0), dtype=np.float32)
    peaks = _peaks(table, settings)
    return np.stack([cosine[peaks[:, 0]], sine[peaks[:, 0]], (peaks[:, 1] - reach).astype(np.float32)], axis=1)


def _peaks(table: NDArray[np.float32], settings: LineSettings) -> NDArray[np.intp]:
    """Local maxima of the vote, after taking away what texture gives to every neighbouring line alike."""
    table = table - cv2.boxFilter(table, -1, (31, 1))
    window = cv2.getStructuringElement(cv2.MORPH_RECT, (5, 9))
    top = (table >= cv2.dilate(table, window)) & (table > 4)
    where = np.argwhere(top)
    where = where[np.argsort(-table[top])]
    sector = where[:, 0] // (settings.angles // settings.sectors)
    kept = [np.nonzero(sector == i)[0][: settings.most_per_sector] for i in range(settings.sectors)]
    return np.asarray(where[np.sort(np.concatenate(kept))[: settings.most_lines]])


def _supported(picture: ReducedImage, lines: NDArray[np.float32], settings: LineSettings) -> Segments:
    """Sample the gradient along every line; cut the lines into stretches with support."""
    stride = settings.stride
    reach = (int(np.hypot(picture.width, picture.height)) // stride + 2) * stride
    signed = _signed_support(picture, lines, reach, stride)
    present = np.abs(signed)
    window = 30 // stride + 1
    density = cv2.blur(present, (window, 1), borderType=cv2.BORDER_CONSTANT) if len(lines) else present
    shortest = settings.shortest_side * max(picture.width, picture.height)
    rows, spans = [], []
    for row in range(len(lines)):
        for start, end in _runs(density[row] > 0.4):
            if (end - start) * stride >= 0.6 * shortest:
                rows.append(row)
                spans.append((start, end))
    running = np.pad(np.cumsum(present, axis=1), ((0, 0), (1, 0)))
    polarity = np.pad(np.cumsum(signed, axis=1), ((0, 0), (1, 0)))
    index, cut = np.array(rows, int), np.array(spans, int).reshape(-1, 2)
    span = (cut * stride - reach).astype(np.float32)
    worth = (running[index, cut[:, 1]] - running[index, cut[:, 0]]) * stride
    worth = worth * _two_sided(picture, lines[index], span)
    keep = np.argsort(-worth)[: settings.most_segments]
    index = index[keep]
    return Segments(lines[index], span[keep], worth[keep], running[index], polarity[index], reach, stride)


def _two_sided(picture: ReducedImage, lines: NDArray[np.float32], span: NDArray[np.float32]) -> NDArray[np.float32]:
    """(n,) 0.5 to 1.5: how far the colours to the left and to the right of each segment differ."""
    if not len(lines):
        return np.empty(0, np.float32)
    at = span[:, :1] + (span[:, 1:] - span[:, :1]) * np.linspace(0.05, 0.95, 24, dtype=np.float32)
    across = lines[:, 2, None] + np.array([-9, -6, -3, 3, 6, 9], np.float32)
    x = lines[:, 0, None, None] * across[:, None] - lines[:, 1, None, None] * at[..., None]
    y = lines[:, 1, None, None] * across[:, None] + lines[:, 0, None, None] * at[..., None]
    x = np.clip(x, 0, picture.width - 1).astype(np.int32)
    y = np.clip(y, 0, picture.height - 1).astype(np.int32)
    colours = picture.lab[y, x].astype(np.float32)
    left, right = (colours[:, :, half].reshape(len(lines), -1, 3) for half in (slice(0, 3), slice(3, 6)))
    spread = np.sqrt((left.var(axis=1) + right.var(axis=1)).sum(axis=1) / 2) + 3
    apart = np.linalg.norm(left.mean(axis=1) - right.mean(axis=1), axis=1) / spread
    return np.asarray(np.clip(0.5 + 0.5 * apart, 0.5, 1.5), dtype=np.float32)


def _signed_support(picture: ReducedImage, lines: NDArray[np.float32], reach: int, stride: int) -> NDArray[np.float32]:
    """(k, 2 reach / stride) values -1, 0, 1: an edge along the line there, and which way it goes."""
    along = np.arange(-reach, reach, stride, dtype=np.float32)
    best = np.zeros((len(lines), len(along)), np.float32)
    a, b, c = lines[:, :1], lines[:, 1:2], lines[:, 2:]
    x, y = a * c - b * along, b * c + a * along
    k, t = np.nonzero((x >= 1) & (x < picture.width - 1) & (y >= 1) & (y < picture.height - 1))
    x, y, a, b = x[k, t], y[k, t], lines[k, 0], lines[k, 1]
    strongest = np.zeros(len(k), np.float32)
    for offset in (-1.0, 0.0, 1.0):
        slope = picture.slope[(y + offset * b).astype(np.int32), (x + offset * a).astype(np.int32)]
        across = slope[:, 0] * a + slope[:, 1] * b
        beside = np.abs(slope[:, 1] * a - slope[:, 0] * b)
        size = np.abs(across)
        across[(size < 0.8) | (beside > 0.45 * size)] = 0
        strongest = np.where(size > np.abs(strongest), across, strongest)
    best[k, t] = np.sign(strongest)
    return best


def _runs(mask: NDArray[np.bool_]) -> list[tuple[int, int]]:
    step = np.diff(np.concatenate([[0], mask.view(np.int8), [0]]))
    return list(zip(np.nonzero(step == 1)[0].tolist(), np.nonzero(step == -1)[0].tolist(), strict=True))


def _from_two_sides(
    segments: Segments, pairs: Pairs, shortest: float, settings: LineSettings
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Quads that end where their two long sides end, for short sides lost among grain, print or glare; their worth."""
    first, second = pairs
    normal, span = segments.lines[:, :2], segments.span
    direction = np.stack([-normal[:, 1], normal[:, 0]], axis=1)
    foot = normal * segments.lines[:, 2:]
    same = np.sum(normal[first] * normal[second], axis=1) > 0
    ends = np.where(same[:, None], span[second], -span[second][:, ::-1])
    along = np.where(same[:, None], direction[second], -direction[second])
    a, b = (foot[first] + direction[first] * span[first, i : i + 1] for i in (0, 1))
    c, d = (foot[second] + along * ends[:, i : i + 1] for i in (1, 0))
    quads = np.stack([a, b, c, d], axis=1)
    shape = np.linalg.norm(a - d, axis=1) / np.maximum(np.linalg.norm(a - b, axis=1), 1)
    good = _plausible(quads, shortest, settings) & (shape < 1) & (skew(quads) < 0.35)
    worth = np.sqrt(segments.worth[first] * segments.worth[second])
    return quads[good].astype(np.float32), worth[good]


def _pairs_of_pairs(
    segments: Segments, pairs: Pairs, shortest: float, settings: LineSettings
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Quads of two pairs of parallel sides that cross, and their worth."""
    first, second = pairs
    normal = segments.lines[:, :2]
    middle = normal[first] + normal[second] * np.sign(np.sum(normal[first] * normal[second], axis=1))[:, None]
    middle /= np.maximum(np.linalg.norm(middle, axis=1, keepdims=True), 1e-6)
    a, b = np.nonzero(np.triu(np.abs(middle @ middle.T) < 0.5, 1))
    order = np.stack([first[a], first[b], second[a], second[b]], axis=1)
    # A line is a side of hundreds of quads: where it meets another is asked once.
    meeting = intersect(segments.lines[:, None], segments.lines[None])
    quads = meeting[order[:, [3, 0, 1, 2]], order]
    good = _plausible(quads, shortest, settings)
    quads, order = quads[good].astype(np.float32), order[good]
    return quads, _worth(quads, order, segments)


def _parallel_pairs(segments: Segments, long_side: int, settings: LineSettings) -> Pairs:
    """Index pairs of segments that could be opposite sides of one card, the most promising first."""
    i, j = np.triu_indices(len(segments.lines), 1)
    normal, span = segments.lines[:, :2], segments.span
    direction = np.stack([-normal[:, 1], normal[:, 0]], axis=1)
    middle = normal * segments.lines[:, 2:] + direction * span.mean(axis=1, keepdims=True)
    parallel = np.abs(np.sum(normal[i] * normal[j], axis=1)) > 0.9
    apart = np.abs(np.sum((middle[j] - middle[i]) * normal[i], axis=1))
    start = np.sum((normal[j] * segments.lines[j, 2:] + direction[j] * span[j, :1]) * direction[i], axis=1)
    end = np.sum((normal[j] * segments.lines[j, 2:] + direction[j] * span[j, 1:]) * direction[i], axis=1)
    low, high = np.minimum(start, end), np.maximum(start, end)
    overlap = np.minimum(high, span[i, 1]) - np.maximum(low, span[i, 0])
    union = np.maximum(high, span[i, 1]) - np.minimum(low, span[i, 0])
    shape = apart / np.maximum(overlap, 1)
    good = parallel & (apart > 0.8 * settings.shortest_side * long_side)
    good &= (overlap > 0.35 * union) & (shape > 0.25) & (shape < 4.5)
    i, j = i[good], j[good]
    worth = np.sqrt(segments.worth[i] * segments.worth[j]) * (overlap[good] / union[good]) ** 2
    keep = _of_every_size(worth, overlap[good] / long_side, settings)
    return i[keep], j[keep]


def _of_every_size(worth: NDArray[np.floating], size: NDArray[np.floating], settings: LineSettings) -> NDArray[np.intp]:
    """The best of each range of lengths: the long lines of a floor must not crowd out a small card's."""
    order = np.argsort(-worth)
    ranges = settings.pairs_by_length
    kept = [order[(size[order] >= low) & (size[order] < high)][:most] for low, high, most in ranges]
    return np.concatenate(kept)


def _plausible(quads: NDArray[np.floating], shortest: float, settings: LineSettings) -> NDArray[np.bool_]:
    """(n,) which quads could be a card in perspective; the cheap questions first, there are many quads."""
    length = sides(quads)  # nan where two lines never meet, and so not longer than anything
    at = np.nonzero((length > shortest).all(axis=1))[0]
    shape = _stoutness(length[at])
    at = at[(shape > settings.slenderest) & (shape < settings.stoutest)]
    at = at[is_convex(quads[at])]
    good = np.zeros(len(quads), bool)
    good[at] = skew(quads[at]) < 0.8
    return good


def _stoutness(length: NDArray[np.floating]) -> NDArray[np.floating]:
    """(n,) shorter over longer of the two ways across quads of these sides (n, 4): `ratio` as portrait, unturned."""
    one, other = length[:, 0] + length[:, 2], length[:, 1] + length[:, 3]
    return np.asarray(np.minimum(one, other) / np.maximum(np.maximum(one, other), 1e-6))


def _worth(quads: NDArray[np.float32], order: NDArray[np.intp], segments: Segments) -> NDArray[np.float32]:
    """Share of each side that is supported, less what the lines run on beyond the corners."""
    share = np.empty((len(quads), 4), np.float32)
    beyond = np.empty((len(quads), 4), np.float32)
    one_way = np.empty((len(quads), 4), np.float32)
    last = segments.support.shape[1] - 1
    for i in range(4):
        line = segments.lines[order[:, i]]
        direction = np.stack([-line[:, 1], line[:, 0]], axis=1)
        ends = np.stack([np.sum(quads[:, k] * direction, axis=1) for k in (i, (i + 1) % 4)], axis=1)
        begin, end = ((bound + segments.origin) / segments.stride for bound in (ends.min(axis=1), ends.max(axis=1)))
        length = np.maximum(end - begin, 1)

        def count(
            table: NDArray[np.float32], low: NDArray[np.float32], high: NDArray[np.float32], i: int = i
        ) -> NDArray[np.float32]:
            rows = order[:, i]
            at = np.clip(np.stack([low, high]).astype(np.int32), 0, last)
            return np.asarray(table[rows, at[1]] - table[rows, at[0]])

        share[:, i] = count(segments.support, begin, end) / length
        one_way[:, i] = np.abs(count(segments.polarity, begin, end)) / length
        margin = 0.15 * length
        outside = count(segments.support, begin - margin, begin - 2) + count(segments.support, end + 2, end + margin)
        beyond[:, i] = outside / (2 * margin)
    worst = share.min(axis=1)
    worth = share.mean(axis=1) + 0.8 * worst + 0.4 * one_way.mean(axis=1) - 0.35 * beyond.mean(axis=1)
    return np.asarray(worth, dtype=np.float32)


def _distinct(quads: NDArray[np.float32], worth: NDArray[np.float32], limit: int, alike: float) -> NDArray[np.float32]:
    """Best first, at most `limit`; none whose corners all lie within `alike` of its size of a better one's."""
    order = np.argsort(-worth)[: 6 * limit]
    quads = clockwise_portrait(quads[order]).astype(np.float32)
    reach = alike * np.ptp(quads, axis=1).max(axis=1)
    flat = quads.reshape(len(quads), 8)
    left = np.ones(len(quads), bool)
    kept: list[int] = []
    for i in range(len(quads)):
        if left[i]:
            kept.append(i)
            left &= np.abs(flat - flat[i]).max(axis=1) > reach[i]
            if len(kept) >= limit:
                break
    return quads[kept]
