"""The shortlist verified rung by rung: a query's `View` and the index's `Hit`s in, `Candidate`s out.

The one place that knows which references are worth registering, and how many rungs each of them is asked about: one of
every pose, then one of every crop of the best pose, then one or two of every record of the best crop. What follows from
their findings is for `decision` to say.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from itertools import chain, islice
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from matcher.core.align.alignment import Alignment, align, match_features
from matcher.core.align.view import View
from matcher.core.calibration import Calibration
from matcher.core.card_lines import BoxMm
from matcher.core.condition import residual_contrast
from matcher.core.describe import Description
from matcher.core.flatten import Face
from matcher.core.ladder.candidate import Candidate
from matcher.core.ladder.caption import judge_caption
from matcher.core.ladder.copy import judge_copy
from matcher.core.ladder.crop import judge_crop, known_crop, same_window
from matcher.core.ladder.fusion import fuse_by_pose
from matcher.core.ladder.pose import judge_pose
from matcher.core.ladder.pose_ranking import rank_poses
from matcher.core.ladder.registered import Registered, Side
from matcher.core.ladder.settings import LadderSettings, VerificationSettings
from matcher.core.parallel.side_by_side import side_by_side
from matcher.core.reference_set import KnownReference, ReferenceSet
from matcher.core.search.reference_index import Hit


class Lettering(Protocol):
    """What is written on the card, and on the references."""

    def in_picture(self, candidate: Candidate, /) -> Sequence[BoxMm]:
        """Where on the card either of the two has words that were printed upon its picture, mm, frames and all."""


def verify(
    view: View,
    references: ReferenceSet,
    calibration: Calibration,
    hits: Sequence[Hit],
    settings: LadderSettings | None = None,
    lettering: Lettering | None = None,
) -> list[Candidate]:
    """Register the shortlist's poses; then every crop of the best pose; then every caption of the best crop.

    lettering: asked where a picture seems to have moved; without it words in the picture count as part of it.
    """
    verifier = Verifier(view, references, calibration, settings or LadderSettings(), lettering)
    candidates = bare_pictures(verifier, poses_again(verifier, first_of_each_pose(verifier, hits)))
    ranking = rank_poses(candidates, calibration, verifier.settings)
    if not ranking.evidence:
        return candidates
    pose = ranking.likeliest
    same_pose = [candidate for candidate in candidates if candidate.record.pose == pose]
    others = [candidate for candidate in candidates if candidate.record.pose != pose]
    same_pose = crops_again(verifier, every_crop(verifier, same_pose, pose))
    lead = max(same_pose, key=lambda candidate: candidate.crop_probability)
    return others + every_caption(verifier, same_pose, lead)


@dataclass(frozen=True)
class Verifier:
    """One query's face against references, rung by rung; each reference is registered, and so warped, once."""

    view: View
    references: ReferenceSet
    calibration: Calibration
    settings: LadderSettings = field(default_factory=LadderSettings)
    lettering: Lettering | None = None

    @cached_property
    def query(self) -> Side:
        return Side(self.view.face, self.settings)

    @cached_property
    def pairs(self) -> dict[int, Registered]:
        """What could be registered so far, by the reference's id."""
        return {}

    @cached_property
    def bare(self) -> set[str]:
        """Poses that are judged by what is surely picture."""
        return set()

    @cached_property
    def _fetched(self) -> dict[int, tuple[Face, Description]]:
        return {}

    def stored(self, known: KnownReference) -> tuple[Face, Description]:
        """What is kept of a reference, asked for once."""
        if known.id not in self._fetched:
            self._fetched[known.id] = self.references.face(known.id), self.references.description(known.id)
        return self._fetched[known.id]

    def of_each(
        self, work: Callable[[KnownReference], Candidate], references: Sequence[KnownReference]
    ) -> list[Candidate]:
        """`work` of references that do not wait for each other, on two threads; the set is asked on this one alone."""
        for known in references:
            self.stored(known)
        return side_by_side(work, references)

    def register(
        self, known: KnownReference, start: NDArray[np.float64] | None = None, thorough: bool = True
    ) -> Candidate:
        """A candidate of which nothing is found yet but how it lies on the query; arguments as of `align`."""
        face, description = self.stored(known)
        alignment = self._aligned(View(face, description), start, thorough)
        if alignment.upside_down:
            return self._register_turned(known, face)
        if not alignment:
            return Candidate(known, alignment)
        self.pairs[known.id] = pair = Registered(self.query, Side(face, self.settings), alignment)
        return Candidate(known, alignment, same_window=same_window(pair, self.calibration))

    def _aligned(self, reference: View, start: NDArray[np.float64] | None, thorough: bool) -> Alignment:
        """As `align`; where the pictures do not agree, by the prints alone: mounts and captions, which keep their
        places when the crop changes, may have held them."""
        whole = align(self.view, reference, start=start, thorough=thorough)
        if whole.correlation >= self.settings.verification.well_laid or whole.upside_down:
            return whole
        own, other = self.view.of_print, reference.of_print
        if own is None or other is None:
            return whole
        alone = align(own, other, thorough=False)
        # Of two areas each has a correlation of its own: only a far better one shows that mounts had held them.
        gained = alone.correlation - whole.correlation
        return alone if alone and gained >= self.settings.verification.far_better else whole

    def _register_turned(self, known: KnownReference, face: Face) -> Candidate:
        """A reference that was enrolled standing on its head is compared the right way up.

        The candidate's transform leads to the reference as it is stored.
        """
        turned = face.half_turn()
        alignment = self._aligned(View(turned), None, True)
        if not alignment:
            return Candidate(known, alignment)
        self.pairs[known.id] = pair = Registered(self.query, Side(turned, self.settings), alignment)
        width, height = face.size.width, face.size.height
        over = np.array([[-1, 0, width - 1], [0, -1, height - 1], [0, 0, 1]], np.float64)
        lies = replace(alignment, transform=over @ alignment.transform)
        return Candidate(known, lies, same_window=same_window(pair, self.calibration))

    def sees_picture(self, known: KnownReference) -> bool:
        """Whether both cards have a picture that is to be seen, so that one negative would be registered."""
        return min(self._contrast, known.legibility) >= self.settings.verification.seen

    def in_picture(self, known: KnownReference) -> int:
        """Features that agree inside the picture: those on the whole card may be its words, which sitters share."""
        face, description = self.stored(known)
        return match_features(self.view.orb, View(face, description).orb)[1]

    @cached_property
    def _contrast(self) -> float:
        return residual_contrast(self.view.face)

    def transform(self, candidate: Candidate) -> NDArray[np.float64] | None:
        """Where the query lies on the reference, both standing upright; None where it is not registered."""
        pair = self.pairs.get(candidate.reference.id)
        return pair.alignment.transform if pair else None

    def pose(self, candidate: Candidate) -> Candidate:
        """With its pose judged, if it is registered and was not judged before."""
        pair = self.pairs.get(candidate.reference.id)
        if pair is None or candidate.pose is not None:
            return candidate
        if candidate.record.pose in self.bare and pair.alignment.correlation >= self.settings.verification.well_laid:
            return self.bare_pose(candidate)
        return replace(candidate, pose=judge_pose(pair, self.calibration))

    def lettering_of(self, candidate: Candidate) -> Sequence[BoxMm]:
        """What was printed upon the picture of either, asked for once; on the thread that the set may be asked on."""
        if self.lettering is None or not candidate.alignment:
            return ()
        if candidate.reference.id not in self._lettered:
            self._lettered[candidate.reference.id] = self.lettering.in_picture(candidate)
        return self._lettered[candidate.reference.id]

    @cached_property
    def _lettered(self) -> dict[int, Sequence[BoxMm]]:
        return {}

    def bare_pose(self, candidate: Candidate) -> Candidate:
        """With its pose judged, again if it was judged before, by what is surely picture: without mounts and lettering.
        It must be registered."""
        pair, size = self.pairs[candidate.reference.id], self.view.face.size
        boxes = self.lettering_of(candidate)
        if pair.mounts is None and not boxes:
            return candidate if candidate.pose else replace(candidate, pose=judge_pose(pair, self.calibration))
        aside = np.zeros((size.height, size.width), np.bool_) if pair.mounts is None else pair.mounts.copy()
        for box in boxes:
            left, top, right, bottom = (max(0, round(side * size.px_per_mm)) for side in box)
            aside[top:bottom, left:right] = True
        self.pairs[candidate.reference.id] = bare = replace(pair, aside=aside)
        return replace(candidate, pose=judge_pose(bare, self.calibration))

    def crop(self, candidate: Candidate) -> Candidate:
        """With its crop judged, if it is registered."""
        pair = self.pairs.get(candidate.reference.id)
        return candidate if pair is None else replace(candidate, crop=judge_crop(pair, self.calibration))

    def same_crop(self, candidate: Candidate, lead: Candidate) -> Candidate:
        """Another reference of the lead's crop: what the lead has settled need not be measured again."""
        pair = self.pairs.get(candidate.reference.id)
        if pair is None or lead.crop is None:
            return candidate
        return replace(candidate, crop=known_crop(pair, lead.crop.probability))

    def caption(self, candidate: Candidate) -> Candidate:
        """With its caption judged, if it is registered and its crop is known."""
        pair = self.pairs.get(candidate.reference.id)
        if pair is None or candidate.crop is None:
            return candidate
        return replace(candidate, caption=judge_caption(pair, self.calibration))

    def copy(self, candidate: Candidate) -> Candidate:
        """With the copy judged, if it is registered and its crop is known."""
        pair = self.pairs.get(candidate.reference.id)
        if pair is None or candidate.crop is None:
            return candidate
        return replace(candidate, copy=judge_copy(pair, candidate.crop, self.calibration))


def first_of_each_pose(verifier: Verifier, hits: Sequence[Hit]) -> list[Candidate]:
    """One reference of each pose on the shortlist, the most promising first.

    Poses with far fewer matches than another are not registered any more once that one is all but certain, and those
    with hardly any beside it not at all: a near twin, the only rival that could still matter, shares nearly all.
    """
    settings = verifier.settings.verification
    candidates: list[Candidate] = []
    most = max((hit.inliers for hit in hits), default=0)
    for hit, known in _one_of_each_pose(verifier.references, hits, settings):
        certain = any(candidate.pose_probability >= settings.certain for candidate in candidates)
        compared = max((candidate.matches for candidate in candidates if candidate.pose), default=0)
        spared = _spared(hit, most, compared, certain, settings)
        if spared:
            candidates.append(Candidate(known, Alignment.failed(f"not compared: {spared}"), matches=hit.inliers))
        else:
            thorough = not certain and len(candidates) < settings.thorough
            registered = verifier.register(known, thorough=thorough)
            in_words = not registered.alignment and verifier.sees_picture(known)
            matches = min(hit.inliers, verifier.in_picture(known)) if in_words else hit.inliers
            candidates.append(verifier.pose(replace(registered, matches=matches)))
    return candidates


def _spared(hit: Hit, most: int, compared: int, certain: bool, settings: VerificationSettings) -> str:
    """Why a pose need not be registered; empty where it is to be. compared: most inliers of a pose that was judged."""
    if certain and hit.inliers < settings.far_fewer * most:
        return "another pose is nearly certain"
    if compared >= settings.many and hit.inliers < settings.hardly_any * compared:
        return "another pose shares far more with the card"
    return ""


def _one_of_each_pose(
    references: ReferenceSet, hits: Iterable[Hit], settings: VerificationSettings
) -> list[tuple[Hit, KnownReference]]:
    """The most legible of each pose's references that match nearly best: a faint one hides another exposure."""
    poses: dict[str, list[tuple[Hit, KnownReference]]] = {}
    for hit in hits:
        known = references.known(hit.reference_id)
        if known and (known.record.pose in poses or len(poses) < settings.poses):
            poses.setdefault(known.record.pose, []).append((hit, known))
    return [
        max(
            (pair for pair in pairs if pair[0].inliers >= settings.nearly_best * pairs[0][0].inliers),
            key=lambda pair: pair[1].legibility,
        )
        for pairs in poses.values()
    ]


def poses_again(verifier: Verifier, candidates: list[Candidate]) -> list[Candidate]:
    """Where one reference leaves its pose in doubt, others of that pose are asked as well."""
    settings = verifier.settings.verification
    low, high = settings.pose_doubtful
    asked = list(candidates)
    seen = {candidate.reference.id for candidate in candidates}
    for pose, evidence in fuse_by_pose(candidates, verifier.calibration, verifier.settings).items():
        if low < evidence.probability < high:
            others = [known for known in verifier.references.of_pose(pose) if known.id not in seen]
            more = others[: settings.references_per_pose - 1]
            asked += verifier.of_each(lambda known: verifier.pose(verifier.register(known)), more)
    return asked


def bare_pictures(verifier: Verifier, candidates: list[Candidate]) -> list[Candidate]:
    """Where poses are in doubt, the likeliest references are judged again by what is surely picture, without mounts and
    lettering: a mark in another form, another caption, or a print pasted a little otherwise, is not there and then
    here, as what has moved is. Further references of their poses are judged so from then on."""
    settings = verifier.settings.verification
    doubted = _in_doubt(candidates, settings)[: settings.bare]
    verifier.bare.update(candidate.record.pose for candidate in doubted)
    again = {candidate.reference.id: verifier.bare_pose(candidate) for candidate in doubted}
    return [again.get(candidate.reference.id, candidate) for candidate in candidates]


def _in_doubt(candidates: Sequence[Candidate], settings: VerificationSettings) -> list[Candidate]:
    """References that were judged and are not certain, the likeliest first, if their pictures lie well upon the card's:
    others agree in their mounts alone. Where one is certain, further ones of its pose."""
    judged = sorted((c for c in candidates if c.pose), key=lambda c: -c.pose_probability)
    doubted = [
        c for c in judged if c.pose_probability < settings.certain and c.alignment.correlation >= settings.well_laid
    ]
    if not judged or judged[0].pose_probability < settings.certain:
        return doubted
    return [c for c in doubted if c.record.pose == judged[0].record.pose]


def every_crop(verifier: Verifier, same_pose: list[Candidate], pose: str) -> list[Candidate]:
    """Every known crop of the pose, each by one reference: the first that was registered, else the most legible."""
    seen = {candidate.record.crop for candidate in same_pose}
    others: dict[str, KnownReference] = {}
    for known in verifier.references.of_pose(pose):
        if known.record.crop not in seen:
            others.setdefault(known.record.crop, known)
    registered = same_pose + verifier.of_each(verifier.register, [*others.values()])
    first: dict[str, int] = {}
    for place, candidate in enumerate(registered):
        if candidate.alignment:
            first.setdefault(candidate.record.crop, place)
    measured = side_by_side(verifier.crop, [registered[place] for place in first.values()])
    for place, candidate in zip(first.values(), measured, strict=True):
        registered[place] = candidate
    return registered


def crops_again(verifier: Verifier, registered: list[Candidate]) -> list[Candidate]:
    """Where no crop is found for certain, others of its references are asked, until one of them is certain."""
    settings = verifier.settings.verification
    measured = sorted((c for c in registered if c.crop), key=lambda c: c.crop_probability, reverse=True)
    if not measured or measured[0].crop_probability >= settings.crop_settled:
        return registered
    done = {candidate.reference.id: candidate for candidate in registered}
    asked = {candidate.reference.id for candidate in measured}
    for nearest in measured[: settings.crops_again]:
        others = _same_crop(verifier.references, nearest.reference)
        more = [known for known in others if known.id not in asked][: settings.references_per_crop - 1]
        for known in more:
            candidate = verifier.crop(done.get(known.id) or verifier.register(known))
            done[known.id] = candidate
            if candidate.crop_probability >= settings.crop_settled:
                return list(done.values())
    return list(done.values())


def every_caption(verifier: Verifier, same_pose: list[Candidate], lead: Candidate) -> list[Candidate]:
    """All records of the leading crop, each by its most legible references; the rest as they are."""
    settings = verifier.settings.verification
    low, high = settings.caption_doubtful
    done = {candidate.reference.id: candidate for candidate in same_pose}
    # The crop is the same, so the transform is nearly the same: it saves the search for features.
    start = verifier.transform(lead)

    def looked_at(known: KnownReference) -> Candidate:
        candidate = done.get(known.id) or verifier.register(known, start)
        if not candidate.alignment:
            candidate = replace(verifier.register(known), matches=candidate.matches)
        return verifier.caption(candidate if candidate.crop else verifier.same_crop(candidate, lead))

    def is_doubtful(candidate: Candidate) -> bool:
        probability = candidate.caption_probability
        return probability is None or low < probability < high

    records = _by_record(_same_crop(verifier.references, lead.reference), settings.captions)
    found: list[list[Candidate]] = [[] for _ in records]
    for turn in range(settings.references_per_record):  # where one does not tell, a second may
        asked = [n for n, own in enumerate(records) if turn < len(own) and all(map(is_doubtful, found[n]))]
        for n, candidate in zip(asked, verifier.of_each(looked_at, [records[n][turn] for n in asked]), strict=True):
            found[n].append(candidate)
    for candidate in chain.from_iterable(found):
        done[candidate.reference.id] = candidate
    return _likeliest_record_finished(verifier, done)


def _likeliest_record_finished(verifier: Verifier, done: dict[int, Candidate]) -> list[Candidate]:
    """The copy judged for all references of the likeliest record: only there does anybody ask. So is the pose, but once
    that is certain of the likeliest alone, which is shown: further ones take long and change nothing."""
    best = max(done.values(), key=lambda candidate: candidate.caption_probability or 0.0)
    certain = max(c.pose_probability for c in done.values()) >= verifier.settings.verification.certain
    own = {number: c for number, c in done.items() if c.record.record_id == best.record.record_id}
    shown = {number for number, c in own.items() if c is best or not certain}
    for number in shown:
        if own[number].record.pose in verifier.bare:
            verifier.lettering_of(own[number])

    def finished(candidate: Candidate) -> Candidate:
        if candidate.reference.id not in own:
            return candidate
        return verifier.copy(verifier.pose(candidate) if candidate.reference.id in shown else candidate)

    return side_by_side(finished, [*done.values()])


def _same_crop(references: ReferenceSet, known: KnownReference) -> list[KnownReference]:
    """References of the same pose and crop, itself among them, the most legible first."""
    of_pose = references.of_pose(known.record.pose)
    return [reference for reference in of_pose if reference.record.crop == known.record.crop]


def _by_record(references: Iterable[KnownReference], most: int) -> list[list[KnownReference]]:
    """References by their record, at most `most` records, in their order."""
    records: dict[str, list[KnownReference]] = {}
    for known in references:
        records.setdefault(known.record.record_id, []).append(known)
    return list(islice(records.values(), most))
