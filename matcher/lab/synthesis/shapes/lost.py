"""What a card has lost: skin, corners, whole places, or the plate that it was printed from a shard.

The paper comes apart in layers, so that most of these lay two matters, one within the other: pale paper where the skin
is gone, darker board or the ground behind where more is.
"""

from __future__ import annotations

import numpy as np

from matcher.lab.synthesis.prints import Field
from matcher.lab.synthesis.shapes.sheet import Points, filled, inward, sized, turned
from matcher.lab.synthesis.shapes.worn_sheet import WornSheet


def creases(card: WornSheet) -> None:
    """Folds right across or dying away: light falls otherwise on their two sides, the ridge is rubbed to the paper."""
    for _ in card.few(2.2, 3):
        away, width = inward(card.halves(card.rng.choice([0.05, 0.3, 1.5]))), card.up_to(0.12, 1.2)
        alive: Field = np.ones(card.shape, np.float32)
        if card.chance() < 0.6:  # a fold that dies away before the side of the card
            ridge = np.argwhere(np.abs(away) < max(2, np.abs(away).min() + 1))  # the fold may pass the card by
            seat = card.rng.choice(ridge)[::-1]
            short = filled(card.shape, [card.outline() * card.up_to(8, 45) + seat])
            alive = np.clip(inward(short) / (4 * card.mm) + 0.3, 0, 1)
        fall = np.exp(-np.abs(away) / np.float32(width * card.between(2, 6))) * np.sign(away) * alive
        card.shade(fall, card.rng.choice([-1, 1]) * card.between(0.1, 0.6), 0.3)
        rough = card.texture(0.15, 1.5) + np.float32(card.between(-0.3, 1))
        card.lay(width * rough * alive - np.abs(away) + 0.5, card.between(0.6, 1))


def losses(card: WornSheet) -> None:
    """Surface gone to the paper, and here and there deeper, to the board."""
    depth = card.frayed(card.scattered(0.6, 7), card.between(0, 0.5))
    card.shade(np.clip(1 + depth / (card.mm * 0.3), 0, 1), card.between(0, 0.4))
    card.lay(depth + 0.5, card.matter(card.between(0.75, 1)))
    card.lay(depth - card.mm * card.size_between(0.15, 6), card.matter(card.between(0.3, 0.8)))


def holes(card: WornSheet) -> None:
    """Pin pricks and larger holes: what lies behind shows, and the paper about them is bruised or rusty."""
    pins = [card.superformula() * card.mm * card.size_between(0.25, 0.8) for _ in card.few(8, 40)]
    mask = filled(card.shape, [pin + card.between(0, 1, 2) * card.size for pin in pins] + card.scattered(0.5, 2))
    card.shade(np.exp(-np.abs(inward(mask)) / (card.mm * card.size_between(0.15, 1))), card.between(-0.5, 0.7))
    card.lay(mask, card.matter(card.rng.choice([0.02, 0.1, 0.5, 0.97])))


def abrasion(card: WornSheet) -> None:
    """Rubbing that takes the heights of the paper's grain, and scratches that go about one way."""
    rubbed = np.clip(inward(filled(card.shape, card.scattered(3, 3, 40))) / (3 * card.mm), 0, 1)
    heights = card.texture(0.1, 0.5) + card.texture(0.4, 4) - np.float32(card.between(0.1, 1.2))
    card.lay(np.clip(heights, 0, 1) * rubbed, card.between(0.65, 1))
    angle, loose, paths = card.between(0, 6.3), card.rng.choice([0.05, 0.3, 2.0]), []
    for _ in card.few(35, 60):
        path = card.pen(np.zeros(2), card.up_to(0.5, 14), 2, 0.2)
        turn = angle + card.rng.normal(0, loose) - np.arctan2(path[-1, 1], path[-1, 0])
        paths.append(turned(path, turn) + card.between(0, 1, 2) * card.size)
    card.lay(card.strokes(paths, card.mm * card.size_between(0.05, 0.3), 0.4), card.rng.choice([0.05, 0.8, 0.95]))


def grazing(card: WornSheet) -> None:
    """Paths that insects ate: scalloped rounds along a wandering line, skin deep or through to the board."""
    bites: list[Points] = []
    for _ in card.few(3, 7):
        bite = card.up_to(0.3, 1.8)
        path = card.pen(card.between(0, 1, 2) * card.size, bite * 4, int(card.rng.integers(2, 10)), 1.1)
        places = path[:: card.rng.integers(1, 4)]
        bites += [card.superformula(20) * bite * card.between(0.4, 1.2) + place for place in places]
    depth = card.frayed(bites, card.between(0, 0.2))
    card.lay(depth + 0.5, card.matter(card.between(0.7, 0.98)))
    card.lay(depth - card.mm * card.between(0.2, 1), card.rng.choice([0.05, 0.45, 0.6]))


def torn(card: WornSheet) -> None:
    """Corners and sides off: the ground shows, before it the fibre where the layers came apart."""
    bites: list[Points] = []
    for _ in card.few(1.5, 5):
        place, side = card.between(0, 1, 2), card.rng.integers(2)
        place[side] = round(place[side])
        place = np.round(place) if card.chance() < 0.6 else place
        bites.append(card.outline() * card.up_to(1.5, 22) + place * card.size)
    depth = card.frayed(bites, card.between(0.1, 0.5))
    fibre = np.float32(card.mm * card.size_between(0.1, 2)) * (1 + 0.5 * card.texture(0.3, 3))
    card.lay(depth + fibre, card.matter(card.between(0.75, 1)))
    card.lay(depth, card.rng.choice([0.0, 0.1, 0.5, 0.9, 1.0]))


def plate(card: WornSheet) -> None:
    """A cracked plate: Voronoi cells about a blow, each shard a little lighter or darker, some chipped away."""
    small = (card.shape[0] // 3 + 1, card.shape[1] // 3 + 1)  # cells are reckoned coarsely: they have no detail
    count = int(card.rng.integers(3, 5 + int(7 * card.strength)))
    seats = (card.between(-0.1, 1.1, 2) + card.rng.normal(0, card.between(0.15, 0.5), (count, 2))) * small
    y, x = np.mgrid[: small[0], : small[1]].astype(np.float32)
    x += np.float32(card.mm / 3 * card.between(0, 0.4)) * card.texture(0.25, 2.5, small)
    far = np.stack([np.hypot(y - a, x - b) for a, b in seats.astype(np.float32)])
    owner, other = np.argpartition(far, 1, 0)[:2]
    near, next_ = (np.take_along_axis(far, who[None], 0)[0] for who in (owner, other))
    gap = 1.5 * (next_**2 - near**2) / np.linalg.norm(seats[owner] - seats[other], axis=-1)
    card.shade(sized(card.rng.normal(0, 0.12, count).astype(np.float32)[owner], card.shape), card.strength)
    corner = (owner == owner[card.rng.choice([0, -1]), card.rng.choice([0, -1])]).astype(np.float32)
    crack = card.up_to(0.08, 0.8) + 0.5 - sized(gap.astype(np.float32), card.shape)
    card.lay(crack, card.rng.choice([0.02, 0.1, 0.95]))
    deep = card.between(0, 0.5) * card.size[0] if card.chance() < 0.6 else 9999
    card.lay(inward(sized(corner, card.shape)) - deep, card.rng.choice([0.02, 0.08, 1.0]))
