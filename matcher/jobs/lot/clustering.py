"""Pairs of a lot's cards in; which are one physical card, and which seem to be one variation, out.

Two cards that seem alike are not joined where any pair between their families says that they differ: one doubtful
link must not make one find of two.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass

from matcher.jobs.lot.store import PairRow

SURE = 0.75
"""As for the answer itself: three in four is where a person would begin to rely on it."""

SAME_CARD = 0.99
"""Of two cards of one record few are one card: so sure the copy rung must be. In rehearsed lots cards scanned twice had
0.998 and more, copies that are faded alike up to 0.80, and one pair 0.991."""

NOT_OTHER = 0.25
SAME_WORDS = 0.5
"""Words that are told apart neither way do not part two cards; a person sees them side by side before it counts."""


@dataclass(frozen=True)
class CardGroups:
    """By key. same_card: all keys of one physical card, itself among them. family: the key that stands for it."""

    same_card: Mapping[str, tuple[str, ...]]
    family: Mapping[str, str]


def group_cards(contrasts: Mapping[str, float], pairs: Sequence[PairRow]) -> CardGroups:
    """contrasts: residual contrast of each card, by key, in order; pairs: those that were laid over each other."""
    known = [pair for pair in pairs if pair.first in contrasts and pair.second in contrasts]
    again = _joined(contrasts, sorted(known, key=_copy, reverse=True), is_same_card, is_other_card)
    alike = _joined(contrasts, sorted(known, key=_likeness, reverse=True), is_alike, is_other)
    return CardGroups(
        {key: members for members in again for key in members if len(members) > 1},
        {key: max(members, key=lambda key: contrasts[key]) for members in alike for key in members},
    )


def is_same_card(pair: PairRow) -> bool:
    """The copy rung says so, and no rung below it says otherwise."""
    words = pair.caption is None or pair.caption > NOT_OTHER
    return _copy(pair) >= SAME_CARD and (pair.pose or 0.0) >= SURE and (pair.crop or 0.0) > NOT_OTHER and words


def is_other_card(pair: PairRow) -> bool:
    return is_other(pair) or (pair.copy is not None and pair.copy <= NOT_OTHER)


def is_alike(pair: PairRow) -> bool:
    """One negative, one window of it, and the words, as far as they can be told."""
    words = pair.caption is None or pair.caption >= SAME_WORDS
    return ((pair.pose or 0.0) >= SURE and (pair.crop or 0.0) >= SURE and words) or is_same_card(pair)


def is_other(pair: PairRow) -> bool:
    """Some rung is sure that they are not one variation."""
    return any(rung is not None and rung <= NOT_OTHER for rung in (pair.pose, pair.crop, pair.caption))


def _joined(
    keys: Iterable[str], pairs: Sequence[PairRow], join: Callable[[PairRow], bool], part: Callable[[PairRow], bool]
) -> list[tuple[str, ...]]:
    """Groups of keys: pairs that join, the surest first, unless a pair between the two groups parts them."""
    group = {key: {key} for key in keys}
    apart = {frozenset((pair.first, pair.second)) for pair in pairs if part(pair)}
    for pair in pairs:
        mine, theirs = group[pair.first], group[pair.second]
        if mine is theirs or not join(pair):
            continue
        if any(frozenset((a, b)) in apart for a in mine for b in theirs):
            continue
        mine |= theirs
        for key in theirs:
            group[key] = mine
    order = {key: place for place, key in enumerate(group)}
    unique = {id(members): members for members in group.values()}
    return [tuple(sorted(members, key=lambda key: order[key])) for members in unique.values()]


def _copy(pair: PairRow) -> float:
    return pair.copy or 0.0


def _likeness(pair: PairRow) -> float:
    return (pair.pose or 0.0) * (pair.crop or 0.0) * (SAME_WORDS if pair.caption is None else pair.caption)
