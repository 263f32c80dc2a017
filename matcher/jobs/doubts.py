"""A catalogue that doubts itself: references laid over those of their own pose in, what a person should look at out.

A reference is doubted where it shows another negative than the other pictures of its pose, or the negative of another
pose; where it stands on its head; where its outline is no card's; and where it shows another crop than its record's
other pictures. Nothing is changed: each doubt says what to do, and a person decides.
"""

from __future__ import annotations

import shlex
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache, partial
from pathlib import Path

from matcher.catalogue import Catalogue
from matcher.catalogue.reference_set import CatalogueReferences
from matcher.core.align.view import View
from matcher.core.card_similarity import CardSimilarity, compare_cards
from matcher.core.outline_doubts import OFF_NOMINAL
from matcher.core.parallel.processes import one_thread, usable_processors
from matcher.core.parallel.supervised import in_order, supervised_pool
from matcher.core.reference_set import KnownReference
from matcher.core.search.reference_index import Hit
from matcher.core.settings import Settings

OTHERS = 3
"""Pictures of its own pose, the most legible ones, that a reference is laid over."""

ELSEWHERE = 2
"""Poses besides its own whose pictures it is laid over, the likeliest ones."""

FEWEST = 14
"""Matches that agree on one transform below which another pose is not asked about: as for the cards of a lot."""

RULED_OUT, SETTLED = 0.1, 0.9
"""Chances that a reference is the negative of another picture: at most, at least. Stricter than an answer's thresholds,
since a doubt about a right picture costs a person's trust in the others."""

CONFIRMED = 0.75
"""Chance of one negative with a picture of its own pose from which no other pose is asked about."""

LEGIBLE = 0.15
"""Residual contrast below which a picture is too faint to speak against another."""

WORTH_A_POOL = 12


@dataclass(frozen=True)
class Doubt:
    """One reference that a person should look at. kind: 'negative', 'elsewhere', 'upside_down', 'outline', 'crop'.

    pair: of 'elsewhere' that reference and the one whose negative it shows, which are of two poses.
    """

    reference: int
    record_id: str
    kind: str
    words: str
    todo: str
    pair: tuple[KnownReference, ...] = ()


def doubts(
    catalogue: Catalogue, among: Collection[int] | None = None, workers: int | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> tuple[Doubt, ...]:  # fmt: skip
    """Doubts about references, by their ids. among: only about these. progress: (references done, in all)."""
    numbers = sorted(row.id for row in catalogue.references() if among is None or row.id in among)
    look = partial(_look, catalogue.folder.resolve(), catalogue.settings)
    workers = min(workers or min(2, usable_processors()), len(numbers))
    results: Iterator[tuple[Doubt, ...]]
    if workers <= 1 or len(numbers) < WORTH_A_POOL:
        one_thread()
        results = map(look, numbers)
    else:
        results = in_order(numbers, look, _nothing, supervised_pool, workers)
    found: list[Doubt] = []
    for done, some in enumerate(results, start=1):
        found += some
        if progress:
            progress(done, len(numbers))
    return tuple(found)


def each_merge_once(found: Iterable[Doubt]) -> tuple[Doubt, ...]:
    """The same for a person to follow from the first to the last: what merges two poses is told once, in one direction.

    Of two poses the one that was enrolled first stays; one that is to be merged already is named by what it becomes.
    """
    become: dict[str, KnownReference] = {}
    told: list[Doubt] = []
    for one in found:
        if not one.pair:
            told.append(one)
            continue
        into, gone = sorted((_end_of(known, become) for known in one.pair), key=lambda known: known.id)
        if into.record.pose != gone.record.pose:
            become[gone.record.pose] = into
            told.append(replace(one, todo=_merging(gone, into)))
    return tuple(told)


def _end_of(known: KnownReference, become: Mapping[str, KnownReference]) -> KnownReference:
    while known.record.pose in become:
        known = become[known.record.pose]
    return known


def _merging(gone: KnownReference, into: KnownReference) -> str:
    """What to do where two poses are one negative; poses of two sitters cannot be merged before these are."""
    sitters, poses = (gone.record.subject, into.record.subject), f"{gone.record.pose} {into.record.pose}"
    first = f"platekin subjects merge {shlex.join(sitters)}, then " if sitters[0] != sitters[1] else ""
    return (
        f"compare the pictures; if they are one negative: {first}platekin poses merge {poses}; if the wrong file was "
        "named, remove the record and enrol it again"
    )


def _look(folder: Path, settings: Settings, number: int) -> tuple[Doubt, ...]:
    references = _opened(folder, settings)
    references.refresh()
    known = references.known(number)
    return () if known is None else tuple(_doubts_about(references, settings, known))


def _nothing(number: int) -> tuple[Doubt, ...]:
    return ()


@lru_cache(2)
def _opened(folder: Path, settings: Settings) -> CatalogueReferences:
    return CatalogueReferences.open(folder, settings)


def _doubts_about(references: CatalogueReferences, settings: Settings, known: KnownReference) -> Iterator[Doubt]:
    outline = _outline(references, known)
    if outline:
        yield outline
    hits = [hit for hit in references.search(references.description(known.id)) if hit.reference_id != known.id]
    if _stands_on_its_head(hits):
        yield _doubt(
            known, "upside_down", "seems to stand on its head: other cards resemble it the other way up",
            f"platekin records outline {known.record.record_id} --reference {known.id} --turn 180",
        )  # fmt: skip
        return
    pair = _Pairs(references, settings, known)
    own = [(other, pair.with_(other)) for other in _others(references, known)]
    yield from _against_own(known, own)
    if not any((found.pose or 0.0) >= CONFIRMED for _, found in own):
        yield from _elsewhere(known, pair, _likeliest(references, known, hits))


@dataclass(frozen=True)
class _Pairs:
    """One reference laid over others."""

    references: CatalogueReferences
    settings: Settings
    known: KnownReference

    def with_(self, other: KnownReference) -> CardSimilarity:
        mine, theirs = (
            View(self.references.face(one.id), self.references.description(one.id)) for one in (self.known, other)
        )
        return compare_cards(mine, theirs, self.settings, self.references.calibration)


def _others(references: CatalogueReferences, known: KnownReference) -> list[KnownReference]:
    """The most legible other pictures of the pose, those of the same record first."""
    there = [one for one in references.of_pose(known.record.pose) if one.id != known.id and one.legibility >= LEGIBLE]
    there.sort(key=lambda one: one.record.record_id != known.record.record_id)
    return there[:OTHERS] if known.legibility >= LEGIBLE else []


def _against_own(known: KnownReference, own: Sequence[tuple[KnownReference, CardSimilarity]]) -> Iterator[Doubt]:
    turned = [other.record.record_id for other, found in own if found.upside_down]
    if turned:
        yield _doubt(
            known, "upside_down", f"or that of {', '.join(dict.fromkeys(turned))} stands on its head: they fit each "
            "other the other way up",
            f"look at both, and turn the wrong one: platekin records outline {known.record.record_id} "
            f"--reference {known.id} --turn 180",
        )  # fmt: skip
    told = [(other, found) for other, found in own if found.pose is not None]
    if told and all((found.pose or 0.0) <= RULED_OUT for _, found in told):
        others = tuple(dict.fromkeys(other.record.record_id for other, _ in told))
        bear = "bears" if len(others) == 1 else "bear"
        yield _doubt(
            known, "negative",
            f"is not the negative of {', '.join(others)}, which {bear} the same pose {known.record.pose}",
            "compare the pictures; if they differ, give one another pose: "
            f"platekin records edit {known.record.record_id} --set pose=NEW --new-pose",
        )  # fmt: skip
    same = [found for other, found in told if other.record.record_id == known.record.record_id]
    if any((one.pose or 0.0) >= SETTLED and one.crop is not None and one.crop <= RULED_OUT / 10 for one in same):
        yield _doubt(
            known, "crop", "shows another crop than the other pictures of its record",
            f"compare them; a card with another crop is a record of its own: platekin records split --help "
            f"(reference {known.id})",
        )  # fmt: skip


def _elsewhere(known: KnownReference, pair: _Pairs, others: Sequence[KnownReference]) -> Iterator[Doubt]:
    for other in others:
        if (pair.with_(other).pose or 0.0) >= SETTLED:
            words = f"shows the negative of {other.record.record_id}, pose {other.record.pose}"
            yield _doubt(known, "elsewhere", words, _merging(known, other), (known, other))
            return


def _likeliest(references: CatalogueReferences, known: KnownReference, hits: Sequence[Hit]) -> list[KnownReference]:
    """One picture of each of the poses that resemble it most, besides its own."""
    found: dict[str, KnownReference] = {}
    for hit in hits:
        other = references.known(hit.reference_id)
        if other is not None and other.record.pose != known.record.pose and hit.inliers >= FEWEST:
            found.setdefault(other.record.pose, other)
    return list(found.values())[:ELSEWHERE]


def _stands_on_its_head(hits: Sequence[Hit]) -> bool:
    """Mounts, backdrops and other prints of the negative agree with it the other way up, and hardly as it stands."""
    upright, turned = (sum(hit.inliers for hit in hits if hit.turned == way) for way in (False, True))
    return turned >= FEWEST and turned > 2 * upright


def _outline(references: CatalogueReferences, known: KnownReference) -> Doubt | None:
    off = references.row(known.id).facts.get("off_nominal")
    if off is None or abs(float(off)) <= OFF_NOMINAL:
        return None
    which = "narrower" if off < 0 else "wider"
    return _doubt(
        known, "outline",
        f"is {100 * abs(float(off)):.0f} % {which} than the usual card: it is trimmed, or the outline takes in "
        "the table or cuts into the card",
        f"look at it; to mend the outline: platekin records outline {known.record.record_id} --reference {known.id} "
        "--corners 'X,Y X,Y X,Y X,Y'",
    )  # fmt: skip


def _doubt(
    known: KnownReference, kind: str, words: str, todo: str, pair: tuple[KnownReference, ...] = ()
) -> Doubt:  # fmt: skip
    name = f"{known.record.record_id}, reference {known.id}"
    return Doubt(known.id, known.record.record_id, kind, f"{name}: this picture {words}", todo, pair)
