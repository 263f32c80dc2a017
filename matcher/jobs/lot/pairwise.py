"""The lot as a references of its own: its faces in; pairs of cards laid over each other, rung by rung, out.

The same index makes the shortlist and the same ladder judges, with the lot's own cards in the place of references. So
the same card scanned twice, and a new negative that turns up several times, are found before anything is enrolled.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Collection, Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache, partial
from itertools import islice
from pathlib import Path

from matcher.catalogue import Catalogue
from matcher.catalogue.calibration_store import confidence_in_use
from matcher.catalogue.records.files import decode_face
from matcher.core.align.view import View
from matcher.core.calibration import Calibration
from matcher.core.card_similarity import CardSimilarity, compare_cards
from matcher.core.describe import Description, describe, fingerprint
from matcher.core.flatten import Face
from matcher.core.parallel.processes import one_thread, usable_processors
from matcher.core.parallel.supervised import in_order, supervised_pool
from matcher.core.search.reference_index import Hit, ReferenceIndex
from matcher.core.settings import Settings
from matcher.jobs.lot import store
from matcher.jobs.lot.cards import Card, bare_cards
from matcher.jobs.lot.store import LotRow, PairRow

NEIGHBOURS = 8
"""Cards of the lot that one is laid over, at most: of a longer row of copies each meets the nearest."""

FEWEST = 14
"""Matches that agree on one transform below which two cards of a lot are not laid over each other."""

WORTH_A_POOL = 12
"""Below this many cards starting a process takes longer than the work."""

VIEWS_KEPT = 32
AT_ONCE = 8
"""Cards that have met the others, between two transactions."""

Tell = Callable[[int, int], None]


@dataclass(frozen=True)
class _Meeting:
    """One card to be laid over others: keys and faces; turned: whether the other stands on its head against it."""

    key: str
    face: Path
    others: tuple[tuple[str, Path, bool], ...]


def compare_lot(
    catalogue: Catalogue, lot: LotRow, settings: Settings, workers: int | None = None, tell: Tell | None = None,
    lost: Collection[str] = (),
) -> int:  # fmt: skip
    """Lay the lot's cards over each other where they may be akin; returns how many pairs were judged now.

    Pairs that were judged before are not judged again. lost: keys of cards without a face (`faces.mend_faces`); once
    they have one again, they are compared. Only inside `store.only_run`.
    """
    faces = store.faces_of(catalogue, lot.lot_id)
    fronts = [card for card in bare_cards(catalogue, lot) if card.is_front and card.outcome != "unreadable"]
    fronts = [card for card in fronts if card.key not in lost]
    stamp = hashlib.sha256("\n".join(sorted(map(_asked, fronts))).encode()).hexdigest()
    if stamp == store.lot(catalogue, lot.lot_id).compared:
        return 0
    workers = min(workers or usable_processors(), max(1, len(fronts) // 4))
    calibration = confidence_in_use(catalogue.folder).calibration
    judged = _judged(catalogue, lot, fronts, faces, settings, calibration, workers, tell)
    count = 0
    while some := list(islice(judged, AT_ONCE)):
        rows = [pair for pairs in some for pair in pairs]
        count += len(rows)
        store.patiently(partial(store.keep_pairs, catalogue, lot.lot_id, rows))
    store.patiently(partial(store.change_lot, catalogue, lot.lot_id, compared=stamp))
    return count


def _asked(card: Card) -> str:
    """What a comparison of the card rests on: which it is, and its outline."""
    return " ".join((card.key, *card.image))


def _judged(
    catalogue: Catalogue, lot: LotRow, fronts: Sequence[Card], faces: Path, settings: Settings,
    calibration: Calibration, workers: int, tell: Tell | None,
) -> Iterator[list[PairRow]]:  # fmt: skip
    known = {frozenset((pair.first, pair.second)) for pair in store.pairs(catalogue, lot.lot_id)}
    work = partial(_meet, settings=settings, calibration=calibration)
    paths = [card.face_path(faces) for card in fronts]
    results: Iterator[list[PairRow]]
    if len(fronts) < WORTH_A_POOL:
        one_thread()
        texts = [catalogue.elsewhere(_described, path) for path in paths]
        results = map(partial(catalogue.elsewhere, work), _meetings(fronts, texts, faces, known, settings))
    else:
        texts = list(in_order(paths, _described, _no_text, supervised_pool, workers))
        results = in_order(_meetings(fronts, texts, faces, known, settings), work, _no_pairs, supervised_pool, workers)
    for done, pairs in enumerate(results, start=1):
        if tell:
            tell(done, len(fronts))
        yield pairs


def _meetings(
    fronts: Sequence[Card], texts: Sequence[Description | None], faces: Path, known: set[frozenset[str]],
    settings: Settings,
) -> Iterator[_Meeting]:  # fmt: skip
    """For each card those of the others that may be akin, each pair once."""
    index = ReferenceIndex(faces, fingerprint(size=settings.face))
    for number, text in enumerate(texts):
        if text is not None:
            index.add(number, text)
    for number, (card, text) in enumerate(zip(fronts, texts, strict=True)):
        others = []
        for hit in index.search(text, NEIGHBOURS + 1) if text is not None else ():
            other, pair = fronts[hit.reference_id], frozenset((card.key, fronts[hit.reference_id].key))
            if hit.reference_id != number and pair not in known and _worth(card, other, hit):
                known.add(pair)
                others.append((other.key, other.face_path(faces), hit.turned))
        yield _Meeting(card.key, card.face_path(faces), tuple(others))


def _worth(card: Card, other: Card, hit: Hit) -> bool:
    """Two that are known as different records have been told apart by better means."""
    both_known = card.found.is_known and other.found.is_known
    return hit.inliers >= FEWEST and not (both_known and card.found.record_id != other.found.record_id)


def _meet(meeting: _Meeting, settings: Settings, calibration: Calibration) -> list[PairRow]:
    """In a worker: one card laid over its others."""
    pairs = []
    mine = _view(meeting.face, False) if meeting.others else None
    for key, path, turned in meeting.others:
        theirs = _view(path, turned)
        likeness = compare_cards(mine, theirs, settings, calibration) if mine and theirs else CardSimilarity()
        pairs.append(_pair(meeting.key, key, likeness))
    return pairs


def _no_pairs(meeting: _Meeting) -> list[PairRow]:
    """Of a card whose worker was lost: it is asked again when the lot is next compared."""
    return []


def _pair(one: str, other: str, found: CardSimilarity) -> PairRow:
    return PairRow(min(one, other), max(one, other), found.pose, found.crop, found.caption, found.copy)


@lru_cache(VIEWS_KEPT)
def _view(path: Path, turned: bool) -> View | None:
    face = _face(path)
    return None if face is None else View(face.half_turn() if turned else face)


def _described(path: Path) -> Description | None:
    face = _face(path)
    return None if face is None else describe(face)


def _no_text(path: Path) -> None:
    return None


def _face(path: Path) -> Face | None:
    """The lot's own face; None where somebody has taken it away since `faces.mend_faces` looked."""
    try:
        return decode_face(path.read_bytes(), None, path.name)
    except OSError:
        return None
