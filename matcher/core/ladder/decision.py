"""Where the answer stops: from the candidates' standing to one outcome with its confidence.

The answer goes up pose, crop, caption and mark as long as each is settled, and stops at the first that is not:
something new where every known one is settled against, else undecided.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from matcher.core.calibration import Calibration
from matcher.core.ladder.candidate import Candidate, Confidence
from matcher.core.ladder.settings import DecisionSettings, LadderSettings
from matcher.core.ladder.standing import CaptionEvidence, Standing, best_by, best_of_each_record, standing_of
from matcher.core.shared_settings import Thresholds

LOOK_AT = "look at "
"""How a reason begins that asks for a person's eye before anything is done with the answer."""

Outcome = Literal["known", "new_mark", "new_caption", "new_crop", "new_pose", "undecided", "unreadable"]

NEW: tuple[Outcome, ...] = ("new_mark", "new_caption", "new_crop", "new_pose")
"""Outcomes of which a record may be made."""


@dataclass(frozen=True)
class Answer:
    """One card's outcome: what is established, how surely, and why it goes no further.

    established: of `pose`, `crop`, `caption` and `record_id` what is settled.
    candidates:  the closest records, each once, by its best reference; at most as many as were asked for.
    reasons:     in words, one for each rung that was reached; those that begin with `LOOK_AT` are to be heeded first.
    compared:    all references that were compared, closest first: a record may have several.
    """

    outcome: Outcome
    established: Mapping[str, str]
    confidence: Confidence
    candidates: tuple[Candidate, ...]
    reasons: tuple[str, ...]
    compared: tuple[Candidate, ...] = ()


def why_of(reasons: Sequence[str]) -> str:
    """The reason at which an answer stopped: the last but those that ask for a look, else what to look at first; empty
    where there is none."""
    told = (reason for reason in reversed(reasons) if not reason.startswith(LOOK_AT))
    return next(told, reasons[0] if reasons else "")


def is_open(answer: Answer, settings: DecisionSettings | None = None) -> bool:
    """Whether the answer came to the caption and was left in doubt there."""
    low, high = (settings or DecisionSettings()).caption_open
    return answer.confidence.caption is not None and low < answer.confidence.caption < high


def marks_asked(answer: Answer, thresholds: Thresholds) -> list[Candidate]:
    """The candidates, a reference a record, whose marks decide now: their words are settled, and their records have a
    mark; none where the answer did not come so far."""
    asked: dict[str, Candidate] = {}
    for one in answer.compared:
        words = one.confidence.caption
        if one.record.mark and one.alignment and words is not None and words >= thresholds.caption:
            asked.setdefault(one.record.record_id, one)
    return list(asked.values()) if "crop" in answer.established else []


def words_asked(answer: Answer, settings: DecisionSettings | None = None) -> list[Candidate]:
    """The candidates, a reference a record, whose words decide: of the likeliest crop, those whose ink is likest first;
    none where the answer did not come so far."""
    settings = settings or DecisionSettings()
    if "crop" not in answer.established:
        return []
    pose, crop = answer.established["pose"], answer.established["crop"]
    same = [c for c in answer.compared if c.caption and c.alignment and (c.record.pose, c.record.crop) == (pose, crop)]
    nearest = best_by(same, "caption").values()
    return sorted(nearest, key=lambda one: -(one.caption_probability or 0.0))[: settings.words_of]


def decide(
    candidates: Sequence[Candidate],
    thresholds: Thresholds,
    top: int,
    calibration: Calibration,
    reading: CaptionEvidence | None = None,
    settings: LadderSettings | None = None,
) -> Answer:
    """Go up pose, crop, caption, mark; stop where the probability lies between the threshold and its opposite.

    top:     how many records the answer lists; it changes nothing else.
    reading: what was read, if anything was; it counts beside the inks for every known caption.
    """
    standing = standing_of(candidates, calibration, reading, settings)
    if standing is None:
        reason = "no enrolled picture resembles this one"
        return Answer("new_pose", {}, Confidence(pose=0.0), (), (reason,))
    compared, read = standing.ranked(), reading.words if reading else ""
    rules = settings or LadderSettings()
    answer = _Decision(thresholds, standing, compared, read, rules.decision, rules.caption.most_hidden).answer()
    return replace(answer, candidates=best_of_each_record(compared)[:top], compared=compared)


@dataclass(frozen=True)
class _Decision:
    """The candidates' standing, and the decision that it leads to; read: what was read, in words."""

    thresholds: Thresholds
    standing: Standing
    compared: Sequence[Candidate]
    read: str
    settings: DecisionSettings
    most_hidden: float

    def answer(self) -> Answer:
        confidence = self.standing.confidence
        if (confidence.pose or 0.0) < self.thresholds.pose:
            return self._stop_at_pose()
        if (confidence.crop or 0.0) < self.thresholds.crop:
            return self._stop_at_crop()
        return self._caption()

    def _stop_at_pose(self) -> Answer:
        poses, confidence = self.standing.poses, Confidence(pose=self.standing.confidence.pose)
        closest = f"closest enrolled pose {self.standing.pose}: {self._lead_words() or poses.lead.alignment.reason}"
        if not poses.evidence:
            if max(candidate.matches for candidate in self.compared) < self.settings.least_matches:
                return _made("new_pose", {}, confidence, closest, "no enrolled picture resembles this one")
            return _made("undecided", {}, confidence, closest, "no enrolled picture could be compared with this one")
        # What is expected weighs what the pictures say. A card they find nothing moved on is never new by that alone.
        if poses.most_alone <= 1 - self.thresholds.pose and not poses.fits:
            return _made("new_pose", {}, confidence, closest)
        why = "it may or may not be the same negative"
        if poses.most_alone >= self.thresholds.pose:
            why = "two enrolled poses fit almost equally well"
        elif poses.most_alone <= 1 - self.thresholds.pose:
            why = f"hardly anything else about the two cards agrees: {why}"
        return _made("undecided", {}, confidence, closest, why)

    def _stop_at_crop(self) -> Answer:
        known, confidence = {"pose": self.standing.pose}, self.standing.confidence
        best = max((c.crop_probability for c in self.compared if c.crop), default=None)
        # Told of the reference that is shown first, whose margins are published: each measures its own.
        shown = next((c for c in self.compared if c.crop), None)
        words = shown.crop.words if shown and shown.crop else "the crop could not be measured"
        nearest, pose = f"nearest known crop {shown.record.crop}: {words}" if shown else words, self._pose_words(shown)
        rivals = best is not None and best >= self.thresholds.crop
        lost = self._crops_not_registered()
        if lost:
            words = f"it could not be compared with {', '.join(lost)}"
            return _made("undecided", known, confidence, pose, nearest, words)
        if best is not None and best <= 1 - self.thresholds.crop:
            return _made("new_crop", known, confidence, pose, nearest)
        why = "two known crops fit almost equally well" if rivals else "it may or may not be the same crop"
        return _made("undecided", known, confidence, pose, nearest, why)

    def _crops_not_registered(self) -> list[str]:
        """Records of the pose whose crop was measured on none of its references."""
        measured = {c.record.crop for c in self.compared if c.crop}
        lost = [c.record for c in self.compared if not c.alignment and c.record.pose == self.standing.pose]
        return sorted({record.record_id for record in lost if record.crop not in measured})

    def _caption(self) -> Answer:
        standing, confidence = self.standing, self.standing.confidence
        known = {"pose": standing.pose, "crop": standing.crop}
        if not standing.captions:
            words = "the caption is too faded, blurred or covered to be compared with the known ones"
            return _made("undecided", known, confidence, self._pose_words(), words)
        best = max(standing.captions, key=lambda name: standing.captions[name])
        winner, p_caption = best_by(standing.same_crop, "caption")[best], standing.captions[best]
        p_record = (confidence.pose or 0.0) * (confidence.crop or 0.0) * p_caption
        confidence = replace(confidence, caption=p_caption, record=p_record)
        words = f"caption compared with {winner.record.caption!r}: {self._caption_words(winner, p_caption)}"
        reasons = (self._pose_words(winner), winner.crop.words if winner.crop else "", words, self.read)
        if p_caption >= self.thresholds.caption:
            return self._mark(winner, confidence, reasons)
        unread = sorted({c.record.record_id for c in standing.same_crop} - set(standing.captions))
        if unread:
            words = f"the caption could not be compared with that of {', '.join(unread)}"
            return _made("undecided", known, confidence, *reasons, words)
        hidden = max(c.caption.hidden for c in standing.same_crop if c.caption)
        if hidden > self.most_hidden and not (winner.words and winner.words.shown):
            words = "part of the words is torn off or laid over: whether they are new cannot be told"
            return _made("undecided", known, confidence, *reasons, words)
        # Rivals that share the odds make nothing new: each known caption must be unlikely by itself.
        if max(standing.captions_alone.values()) <= 1 - self.thresholds.caption:
            return _made("new_caption", known, confidence, *reasons)
        return _made("undecided", known, confidence, *reasons, "these may or may not be the known words")

    def _caption_words(self, winner: Candidate, p_caption: float) -> str:
        """What the ink says; where reading has overruled it, that."""
        ink = winner.caption_probability
        if p_caption >= self.thresholds.caption and (ink is None or ink < 0.5):
            return "the same words, as they were read; the ink differs somewhere"
        if winner.words and (p_caption < 0.5 or not winner.words.lines):
            return winner.words.words
        return winner.caption.words if winner.caption else ""

    def _mark(self, winner: Candidate, confidence: Confidence, reasons: tuple[str, ...]) -> Answer:
        """The words are known; which of the records with these words is it, by its mark?"""
        standing, marks = self.standing, self.standing.marks
        known = {"pose": standing.pose, "crop": standing.crop, "caption": winner.record.caption}
        same = standing.same_words(winner.record.record_id)
        if not marks and len(same) == 1:
            told = winner.mark.words if winner.mark else ""
            return self._known(winner, known, confidence, (*reasons, told))
        if not marks:
            words = f"{', '.join(same)} differ by the issuer's mark alone, which could not be compared"
            return _made("undecided", known, replace(confidence, record=None), *reasons, words)
        best = max(marks, key=lambda name: marks[name])
        winner = max(
            (c for c in standing.same_crop if c.record.record_id == best), key=lambda c: c.mark_probability or 0.0
        )
        p_mark = marks[best]
        confidence = replace(confidence, mark=p_mark, record=(confidence.record or 0.0) * p_mark)
        reasons = (*reasons, winner.mark.words if winner.mark else "")
        if p_mark >= self.thresholds.mark:
            return self._known(winner, known, confidence, reasons)
        unread = sorted(set(same) - set(marks))
        if unread:
            words = f"the mark could not be compared with that of {', '.join(unread)}"
            return _made("undecided", known, confidence, *reasons, words)
        if max(standing.marks_alone.values()) <= 1 - self.thresholds.mark:
            return _made("new_mark", known, confidence, *reasons)
        return _made("undecided", known, confidence, *reasons, "this may or may not be the known mark")

    def _known(
        self, winner: Candidate, known: Mapping[str, str], confidence: Confidence, reasons: tuple[str, ...]
    ) -> Answer:
        confidence = replace(confidence, copy=winner.copy.probability if winner.copy else None)
        return _made("known", {**known, "record_id": winner.record.record_id}, confidence, *reasons)

    def _pose_words(self, named: Candidate | None = None) -> str:
        """What the pictures say, of the reference that the answer names and shows where its own picture agrees."""
        return f"pose {self.standing.pose}: {self._lead_words(named)}"

    def _lead_words(self, named: Candidate | None = None) -> str:
        own = named.pose if named and named.pose and named.pose.probability >= self.thresholds.pose else None
        found = own or self.standing.poses.lead.pose
        return found.words_of(self.standing.confidence.pose or 0.0, self.thresholds.pose) if found else ""


def _made(outcome: Outcome, known: Mapping[str, str], confidence: Confidence, *reasons: str) -> Answer:
    return Answer(outcome, dict(known), confidence, (), reasons)
