"""Candidates set against each other: how likely is each pose, crop and caption, given that at most one of each is true?

Candidates of one query in, their `Standing` out. A rung's probability says how well query and one reference agree,
taken alone; where several poses, crops or captions compete, each can only be right if the others are wrong, and 'none
of the known ones' competes too.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

from matcher.core.calibration import Calibration, log_odds
from matcher.core.ladder.candidate import Candidate, Confidence
from matcher.core.ladder.head_to_head import Contender, share_odds
from matcher.core.ladder.pose_ranking import PoseRanking, rank_poses
from matcher.core.ladder.settings import LadderSettings
from matcher.core.reference_set import KnownRecord


@dataclass(frozen=True)
class CaptionEvidence:
    """What reading says of known captions, beside the comparison of inks.

    log_odds: of the words of each record that it could judge, by the record's id.
    words:    what was read, for a person.
    """

    log_odds: Mapping[str, float]
    words: str


@dataclass(frozen=True)
class Standing:
    """What competes on each rung, with its probability.

    poses:          by pose.
    pose:           the likeliest.
    crops:          of that pose, by crop; empty where none could be measured.
    crop:           the likeliest; "" where none was measured.
    same_crop:      the candidates of that pose and crop whose window was measured.
    captions:       of those, by record; without those whose words could not be compared.
    captions_alone: the same before they competed.
    marks:          of those whose words are the likeliest, by record; without those whose mark could not be compared.
    marks_alone:    the same before they competed.
    """

    poses: PoseRanking
    pose: str
    crops: Mapping[str, float]
    crop: str
    same_crop: Sequence[Candidate]
    captions: Mapping[str, float]
    captions_alone: Mapping[str, float]
    marks: Mapping[str, float] = field(default_factory=dict)
    marks_alone: Mapping[str, float] = field(default_factory=dict)

    @property
    def confidence(self) -> Confidence:
        """Of pose and crop."""
        return Confidence(pose=self.poses.shares[self.pose], crop=self.crops.get(self.crop, 0.0))

    def ranked(self) -> tuple[Candidate, ...]:
        """All candidates with their confidences, the closest first."""
        graded = [self._graded(candidate) for candidate in self.poses.candidates]
        return tuple(sorted(graded, key=_closeness, reverse=True))

    def _graded(self, candidate: Candidate) -> Candidate:
        """The candidate with its confidences; rungs above a broken one stay None."""
        record = candidate.record
        # A reference that was only registered shares the pose that another one of it has settled.
        p_pose = self.poses.shares[record.pose] if candidate.alignment else 0.0
        on_pose = record.pose == self.pose and candidate.crop is not None
        p_crop = self.crops[record.crop] if on_pose else None
        # On another crop the words stand elsewhere in the picture: that their inks differ says nothing.
        comparable = record.crop == self.crop and (p_crop or 0.0) >= 0.5
        p_caption = self.captions.get(record.record_id) if comparable else None
        p_mark = self.marks.get(record.record_id) if p_caption is not None else None
        p_record = None
        if p_caption is not None:
            p_record = p_pose * (p_crop or 0.0) * p_caption * (1.0 if p_mark is None else p_mark)
        p_copy = candidate.copy.probability if candidate.copy else None
        return replace(candidate, confidence=Confidence(p_pose, p_crop, p_caption, p_mark, p_record, p_copy))

    def same_words(self, record_id: str) -> list[str]:
        """Records of this pose and crop that differ from one by their mark alone; itself first."""
        said = {c.record.record_id: _words(c.record) for c in self.same_crop}
        others = sorted(name for name, words in said.items() if name != record_id and words == said[record_id])
        return [record_id, *others]


def standing_of(
    candidates: Sequence[Candidate],
    calibration: Calibration,
    reading: CaptionEvidence | None = None,
    settings: LadderSettings | None = None,
) -> Standing | None:
    """Let poses compete, then the crops of the likeliest one, then its captions; None where there is no candidate."""
    settings = settings or LadderSettings()
    poses = rank_poses(candidates, calibration, settings)
    if not poses:
        return None
    pose = poses.likeliest
    same_pose = [c for c in candidates if c.record.pose == pose]
    windows = {name: c.crop for name, c in best_by((c for c in same_pose if c.crop), "crop").items() if c.crop}
    crops = share_odds({name: Contender(found.probability, ()) for name, found in windows.items()})
    crop = max(crops, key=lambda name: crops[name], default="")
    same_crop = [c for c in same_pose if c.record.crop == crop and c.crop]
    nearest = best_by((c for c in same_crop if c.caption), "caption")
    judged = {name: _ink_and_reading(c, reading, calibration) for name, c in nearest.items()}
    rivals = {name: rival for name, rival in judged.items() if rival}
    said = {c.record.record_id: _words(c.record) for c in same_crop}
    captions = _share_by_words(rivals, said, calibration, settings)
    alone = {name: rival.probability for name, rival in rivals.items()}
    marks_alone = _marks(same_crop, captions, said)
    marks = share_odds({name: Contender(probability, ()) for name, probability in marks_alone.items()})
    return Standing(poses, pose, crops, crop, same_crop, captions, alone, marks, marks_alone)


_Words = tuple[str, ...]


def _words(record: KnownRecord) -> _Words:
    """What records that differ by their mark alone have in common; a record without a mark stands for itself."""
    return (record.caption, record.club) if record.mark else (record.caption, record.club, record.record_id)


def _share_by_words(
    rivals: Mapping[str, Contender], said: Mapping[str, _Words], calibration: Calibration, settings: LadderSettings
) -> dict[str, float]:
    """Captions compete, each once: of records with the same words, which their marks tell apart, the likeliest does."""
    first: dict[_Words, str] = {}
    for name in sorted(rivals, key=lambda name: -rivals[name].probability):
        first.setdefault(said[name], name)
    competing = {name: rival for name, rival in rivals.items() if name in first.values()}
    shares = share_odds(competing, calibration, settings.head_to_head)
    return {name: shares[first[said[name]]] for name in rivals}


def _marks(
    same_crop: Sequence[Candidate], captions: Mapping[str, float], said: Mapping[str, _Words]
) -> dict[str, float]:  # fmt: skip
    """Of the records with the likeliest words, by the best of their references, those whose mark could be compared."""
    if not captions:
        return {}
    likeliest = said[max(captions, key=lambda name: captions[name])]
    told: dict[str, float] = {}
    for candidate in same_crop:
        name, probability = candidate.record.record_id, candidate.mark_probability
        if probability is not None and said[name] == likeliest:
            told[name] = max(probability, told.get(name, 0.0))
    return told


def best_by(candidates: Iterable[Candidate], rung: Literal["crop", "caption"]) -> dict[str, Candidate]:
    """The most probable candidate of each crop, by its name, or of each record, by its id; of equals that which was
    read."""
    best: dict[str, Candidate] = {}
    for candidate in candidates:
        name, worth = _name_and_worth(candidate, rung)
        if name not in best or worth > _name_and_worth(best[name], rung)[1]:
            best[name] = candidate
    return best


def best_of_each_record(ranked: Iterable[Candidate]) -> tuple[Candidate, ...]:
    """Each record once, by the first of its references in `ranked`."""
    best: dict[str, Candidate] = {}
    for candidate in ranked:
        best.setdefault(candidate.record.record_id, candidate)
    return tuple(best.values())


def _name_and_worth(candidate: Candidate, rung: Literal["crop", "caption"]) -> tuple[str, tuple[float, bool]]:
    record = candidate.record
    if rung == "crop":
        return record.crop, (candidate.crop_probability, False)
    return record.record_id, (candidate.caption_probability or 0.0, candidate.words is not None)


def _ink_and_reading(
    candidate: Candidate, reading: CaptionEvidence | None, calibration: Calibration
) -> Contender | None:
    """One known caption, by ink and reading together; None where neither could be compared.

    Where both cards were read, line by line, one model knows what both say; else independent evidence adds its log
    odds.
    """
    caption, words = candidate.caption, candidate.words
    inks = None if caption is None or caption.probability is None else log_odds(caption.probability)
    parts = caption.parts if caption else ()
    if words:
        # The strips' ink hardly counts in it: set against a rival's, what was read counts whole.
        return Contender(words.probability, parts, log_odds(words.probability))
    if inks is None:
        return None
    read = reading.log_odds.get(candidate.record.record_id, 0.0) if reading else 0.0
    return Contender(calibration.answered("caption", inks + read), parts, read)


def _closeness(candidate: Candidate) -> tuple[float, ...]:
    confidence = candidate.confidence
    agreed = candidate.caption.agreement if candidate.caption else 0.0
    return (
        round(confidence.pose or 0.0, 3),
        round(confidence.crop or 0.0, 3),
        confidence.caption or 0.0,
        agreed,
        candidate.pose_probability,
        float(candidate.alignment.inliers),
    )
