"""A listing's pictures as they were answered in, what each pictured card is known to be out, with probabilities."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

from matcher.catalogue import RecordRow
from matcher.core.answer import CARDS, CandidateEvidence, CardResult, DamageFact, FaceFacts
from matcher.jobs.listing.carriers import Described
from matcher.jobs.listing.inspection import ListingPhoto
from matcher.jobs.listing.seen_before import SeenBefore


@dataclass(frozen=True)
class CardEvidence:
    """One card of one photo.

    photo, number: which, counted from 1 within its photo. outcome: of `identify`.
    poses:    probability of each pose that was compared.
    crops:    of each crop of the likeliest pose, given that pose.
    captions: of each record of the likeliest crop, given that crop; empty where no words could be compared.
    marks:    of each record with the likeliest words, given those; without those whose mark could not be compared.
    record_id, pose: where they are established. closest: id of the closest record, "" for none.
    face:     facts about it. reasons: of `identify`. seen: where the card was seen before.
    damage, trims_mm: what lies upon it, and what was cut off it at left, top, right and bottom, against the closest
              record's card, where that shows the same picture; None where no trim was measured.
    """

    photo: str
    number: int
    outcome: str
    poses: Mapping[str, float]
    crops: Mapping[str, float]
    captions: Mapping[str, float]
    marks: Mapping[str, float]
    pose: str | None
    crop: str | None
    record_id: str | None
    closest: str
    face: FaceFacts
    reasons: tuple[str, ...]
    seen: tuple[SeenBefore, ...] = ()
    damage: tuple[DamageFact, ...] = ()
    trims_mm: tuple[float, float, float, float] | None = None

    @property
    def likeliest_pose(self) -> tuple[str, float]:
        return max(self.poses.items(), key=lambda item: item[1], default=("", 0.0))

    @property
    def likeliest_crop(self) -> tuple[str, float]:
        return max(self.crops.items(), key=lambda item: item[1], default=("", 0.0))

    @property
    def pose_and_crop(self) -> float:
        """Probability of the likeliest crop of the likeliest pose."""
        return self.likeliest_pose[1] * self.likeliest_crop[1]

    @property
    def resembles(self) -> bool:
        """Whether it is more likely than not a known negative: then it certainly is a card."""
        return self.likeliest_pose[1] >= 0.5

    @property
    def where(self) -> str:
        return f"{self.photo}, card {self.number}"


def shown_of(photos: Iterable[ListingPhoto], known: Collection[str]) -> tuple[CardEvidence, ...]:
    """Every card of the photos, in order, beside the records that are known (ids): the pictures may have been compared
    with one that was accepted a moment later."""
    shown = ((photo, place, card) for photo in photos for place, card in enumerate(photo.answer.cards))
    return tuple(_card(photo, place, _beside(card, known)) for photo, place, card in shown)


def _beside(card: CardResult, known: Collection[str]) -> CardResult:
    candidates = tuple(one for one in card.candidates if one.record_id in known)
    return card if len(candidates) == len(card.candidates) else replace(card, candidates=candidates)


def _card(photo: ListingPhoto, place: int, card: CardResult) -> CardEvidence:
    poses: dict[str, float] = defaultdict(float)
    crops: dict[str, float] = defaultdict(float)
    captions, marks = dict[str, float](), dict[str, float]()
    for candidate in card.candidates:
        poses[candidate.pose] = max(poses[candidate.pose], candidate.confidence.pose or 0.0)
    best = max(poses, key=lambda pose: poses[pose], default="")
    for candidate in card.candidates:
        sure = candidate.confidence
        if candidate.pose == best and sure.crop is not None:
            crops[candidate.crop] = max(crops[candidate.crop], sure.crop)
            if sure.caption is not None:
                captions[candidate.record_id] = max(captions.get(candidate.record_id, 0.0), sure.caption)
            if sure.mark is not None:
                marks[candidate.record_id] = max(marks.get(candidate.record_id, 0.0), sure.mark)
    shown = card.closest.evidence if card.closest else CandidateEvidence()
    damage = tuple(one for one in shown.damage or () if one.on == CARDS["query"])
    trims = next(((t.left, t.top, t.right, t.bottom) for t in shown.trimmed or () if t.on == CARDS["query"]), None)
    return CardEvidence(
        photo.answer.photo, place + 1, card.outcome, dict(poses), dict(crops), captions, marks, card.pose,
        card.crop, card.record_id, card.closest.record_id if card.closest else "", card.face, card.reasons,
        photo.seen(place), damage, trims,
    )  # fmt: skip


@dataclass(frozen=True)
class CatalogueFacts:
    """What the catalogue knows, ready for comparing.

    records: by id. poses: records by pose. described: terms by pose, and by (pose, crop).
    contrasts: residual contrast of all references, ascending. spellings: other names, by subject.
    """

    records: Mapping[str, RecordRow]
    poses: Mapping[str, Sequence[RecordRow]]
    pose_terms: Mapping[str, Described]
    crop_terms: Mapping[tuple[str, str], Described]
    contrasts: Sequence[float]
    spellings: Mapping[str, Sequence[str]] = field(default_factory=dict)

    @classmethod
    def of(
        cls,
        records: Iterable[RecordRow],
        pose_terms: Mapping[str, Described],
        crop_terms: Mapping[tuple[str, str], Described],
        contrasts: Iterable[float],
        spellings: Mapping[str, Sequence[str]],
    ) -> CatalogueFacts:
        by_pose: dict[str, list[RecordRow]] = defaultdict(list)
        held = {record.record_id: record for record in records}
        for record in held.values():
            by_pose[record.pose].append(record)
        return cls(held, dict(by_pose), pose_terms, crop_terms, sorted(contrasts), spellings)

    def subject_of(self, pose: str) -> str:
        """Who is on a pose's cards."""
        records = self.poses.get(pose, ())
        return records[0].subject if records else ""

    def poses_of(self, subject: str) -> list[str]:
        return [pose for pose in self.poses if self.subject_of(pose) == subject]

    def described(self, pose: str) -> Described:
        """How a pose is described."""
        return self.pose_terms.get(pose, Described())

    def crop_described(self, pose: str, crop: str) -> Described:
        """How a crop is described, by itself or for all poses."""
        found = (self.crop_terms.get(key, Described()) for key in ((pose, crop), ("*", crop)))
        return Described(tuple(part for one in found for part in one.parts))

    def fainter_than(self, contrast: float) -> float:
        """Share of the references with more contrast than this."""
        return sum(value > contrast for value in self.contrasts) / len(self.contrasts) if self.contrasts else 0.0
