"""Where the answer stops: from the rungs' findings about several references to one outcome with its confidence.

The one place that compares candidates with each other. A rung's probability says how well query and one reference
agree, taken alone; where several different poses, crops or captions compete, each can only be right if the
others are wrong, and 'none of the known ones' competes too.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from matcher.core.calibration import Calibration, log_odds
from matcher.core.ladder.candidate import Candidate, Confidence
from matcher.core.ladder.caption import CaptionFinding
from matcher.core.ladder.fusion import fuse_by_pose
from matcher.core.ladder.head_to_head import Contender, share_odds
from matcher.core.settings import Thresholds

Outcome = Literal["known", "new_crop", "new_caption", "new_pose", "undecided", "unreadable"]


@dataclass(frozen=True)
class CaptionEvidence:
    """What another witness than the ink says of known captions.

    log_odds: of the words of each record that it could judge, by the record's id. words: what it saw, for a person.
    """

    log_odds: Mapping[str, float]
    words: str


@dataclass(frozen=True)
class Answer:
    """One card's outcome: what is established, how surely, and why it goes no further."""

    outcome: Outcome
    established: Mapping[str, str]
    confidence: Confidence
    candidates: tuple[Candidate, ...]
    reasons: tuple[str, ...]


def best_by(candidates: Sequence[Candidate], rung: Literal["crop", "caption"]) -> dict[str, Candidate]:
    """The most probable candidate of each crop or record among `candidates`."""
    best: dict[str, Candidate] = {}
    for candidate in candidates:
        name, probability = _name_and_probability(candidate, rung)
        if name not in best or probability > _name_and_probability(best[name], rung)[1]:
            best[name] = candidate
    return best


def _name_and_probability(candidate: Candidate, rung: Literal["crop", "caption"]) -> tuple[str, float]:
    record = candidate.record
    if rung == "crop":
        return record.crop, candidate.crop_probability
    return record.record_id, candidate.caption_probability or 0.0


OPEN = (0.03, 0.97)
"""Between these the comparison of inks leaves a caption open, and the words are read as well."""


def is_open(answer: Answer) -> bool:
    """Whether the climb came to the caption and was left in doubt there."""
    return answer.confidence.caption is not None and OPEN[0] < answer.confidence.caption < OPEN[1]


def decide(
    candidates: Sequence[Candidate],
    thresholds: Thresholds,
    top: int,
    calibration: Calibration,
    reading: CaptionEvidence | None = None,
) -> Answer:
    """Climb pose, crop, caption; stop where the probability lies between the threshold and its opposite.

    reading: what was read, if anything was; it counts beside the inks for every known caption.
    """
    judged = fuse_by_pose(candidates, calibration)
    rivals = {name: Contender(verdict.probability, verdict.finding.parts) for name, verdict in judged.items()}
    unjudged = {c.record.pose: Contender(0.0, ()) for c in candidates}
    poses = share_odds({**unjudged, **rivals}, calibration)
    if not poses:
        reason = "no enrolled picture resembles this one"
        return Answer("new_pose", {}, Confidence(pose=0.0), (), (reason,))
    pose = max(poses, key=lambda name: poses[name])
    same_pose = [c for c in candidates if c.record.pose == pose]
    lead = judged[pose].lead if pose in judged else same_pose[0]
    crops = share_odds(
        {name: Contender(c.crop.probability, ()) for name, c in best_by(same_pose, "crop").items() if c.crop}
    )
    crop = max(crops, key=lambda name: crops[name]) if crops else ""
    same_crop = [c for c in same_pose if c.record.crop == crop and c.crop]
    told = {n: c.caption for n, c in best_by(same_crop, "caption").items() if c.caption}
    heard = {n: _heard(n, c, reading, calibration) for n, c in told.items() if c.probability is not None}
    captions = share_odds(heard, calibration)
    alone = {name: rival.probability for name, rival in heard.items()}
    best_alone = max((verdict.probability for verdict in judged.values()), default=0.0)
    graded = tuple(_grade(candidate, poses, crops, captions, pose, crop) for candidate in candidates)
    ranked = tuple(sorted(graded, key=_closeness, reverse=True))
    read = reading.words if reading is not None else ""
    p_crop = crops.get(crop, 0.0)
    climb = _Climb(
        thresholds, pose, poses[pose], best_alone, crop, p_crop, captions, alone, lead, ranked, same_crop, read
    )
    answer = climb.answer()
    return replace(answer, candidates=ranked[:top])


def _heard(
    record_id: str, caption: CaptionFinding, reading: CaptionEvidence | None, calibration: Calibration
) -> Contender:
    """One known caption, by ink and reading together: independent witnesses add their log odds."""
    inks = log_odds(caption.probability or 0.0)
    read = reading.log_odds.get(record_id, 0.0) if reading else 0.0
    return Contender(calibration.answered("caption", inks + read), caption.parts, read)


def _grade(
    candidate: Candidate,
    poses: Mapping[str, float],
    crops: Mapping[str, float],
    captions: Mapping[str, float],
    pose: str,
    crop: str,
) -> Candidate:
    """The candidate with its confidences; rungs above a broken one stay None."""
    record = candidate.record
    # A reference that was only registered shares the pose that another one of it has settled.
    p_pose = poses[record.pose] if candidate.alignment else 0.0
    on_pose = record.pose == pose and candidate.crop is not None
    p_crop = crops[record.crop] if on_pose else None
    p_caption = captions.get(record.record_id) if on_pose and record.crop == crop else None
    p_record = p_pose * (p_crop or 0.0) * (p_caption or 0.0) if p_caption is not None else None
    p_copy = candidate.copy.probability if candidate.copy else None
    return replace(candidate, confidence=Confidence(p_pose, p_crop, p_caption, p_record, p_copy))


def _closeness(candidate: Candidate) -> tuple[float, ...]:
    sure = candidate.confidence
    agreed = candidate.caption.agreement if candidate.caption else 0.0
    return (
        round(sure.pose or 0.0, 3),
        round(sure.crop or 0.0, 3),
        sure.caption or 0.0,
        agreed,
        candidate.pose_probability,
        float(candidate.alignment.inliers),
    )


@dataclass(frozen=True)
class _Climb:
    """The rungs' leading values, and the decision that they lead to."""

    thresholds: Thresholds
    pose: str
    p_pose: float
    best_alone: float
    crop: str
    p_crop: float
    captions: Mapping[str, float]
    captions_alone: Mapping[str, float]
    lead: Candidate
    ranked: tuple[Candidate, ...]
    same_crop: Sequence[Candidate]
    read: str

    def answer(self) -> Answer:
        if self.p_pose < self.thresholds.pose:
            return self._stop_at_pose()
        if self.p_crop < self.thresholds.crop:
            return self._stop_at_crop()
        return self._caption()

    def _stop_at_pose(self) -> Answer:
        words = self.lead.pose.words if self.lead.pose else self.lead.alignment.reason
        closest = f"closest enrolled pose {self.pose}: {words}"
        if self.best_alone <= 1 - self.thresholds.pose:
            return self._made("new_pose", {}, Confidence(pose=self.p_pose), closest)
        rivals = self.best_alone >= self.thresholds.pose
        why = "two enrolled poses fit almost equally well" if rivals else "it may or may not be that negative"
        return self._made("undecided", {}, Confidence(pose=self.p_pose), closest, why)

    def _stop_at_crop(self) -> Answer:
        known = {"pose": self.pose}
        best = max((c for c in self.ranked if c.crop), key=lambda c: c.crop_probability, default=None)
        words = best.crop.words if best and best.crop else "the crop could not be measured"
        sure = Confidence(pose=self.p_pose, crop=self.p_crop)
        nearest = f"nearest known crop {best.record.crop}: {words}" if best else words
        measured = {c.record.crop for c in self.ranked if c.crop}
        same_pose = [c for c in self.ranked if c.record.pose == self.pose]
        lost = [c for c in same_pose if not c.alignment and c.record.crop not in measured]
        if lost:
            words = f"it could not be laid over {', '.join(sorted({c.record.record_id for c in lost}))}"
            return self._made("undecided", known, sure, self._pose_words(), nearest, words)
        if best and best.crop_probability <= 1 - self.thresholds.crop:
            return self._made("new_crop", known, sure, self._pose_words(), nearest)
        return self._made("undecided", known, sure, self._pose_words(), nearest)

    def _caption(self) -> Answer:
        known = {"pose": self.pose, "crop": self.crop}
        sure = Confidence(pose=self.p_pose, crop=self.p_crop)
        if not self.captions:
            words = "the caption is too faded, blurred or covered to be compared with the known ones"
            return self._made("undecided", known, sure, self._pose_words(), words)
        best = max(self.captions, key=lambda name: self.captions[name])
        winner = best_by(self.same_crop, "caption")[best]
        p_caption = self.captions[best]
        sure = replace(sure, caption=p_caption, record=self.p_pose * self.p_crop * p_caption)
        words = f"caption against {winner.record.caption!r}: {winner.caption.words if winner.caption else ''}"
        reasons = (self._pose_words(), winner.crop.words if winner.crop else "", words, self.read)
        if p_caption >= self.thresholds.caption:
            sure = replace(sure, copy=winner.copy.probability if winner.copy else None)
            full = {**known, "caption": winner.record.caption, "record_id": best}
            return self._made("known", full, sure, *reasons)
        unread = sorted({c.record.record_id for c in self.same_crop} - set(self.captions))
        if unread:
            words = f"the caption could not be compared with that of {', '.join(unread)}"
            return self._made("undecided", known, sure, *reasons, words)
        # Rivals that share the odds make nothing new: each known caption must be unlikely by itself.
        if max(self.captions_alone.values()) <= 1 - self.thresholds.caption:
            return self._made("new_caption", known, sure, *reasons)
        return self._made("undecided", known, sure, *reasons)

    def _pose_words(self) -> str:
        return f"pose {self.pose}: {self.lead.pose.words if self.lead.pose else ''}"

    def _made(self, outcome: Outcome, known: Mapping[str, str], sure: Confidence, *reasons: str) -> Answer:
        return Answer(outcome, dict(known), sure, self.ranked, reasons)
