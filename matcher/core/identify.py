"""The whole line: a `Photo` and a `ReferenceSet` in, an `Identification` out.

The only place that knows the order of the stages. For each card found it makes a shortlist, registers the most
promising references, and goes up the ladder with them: pose, crop, caption, mark, copy. `core.ladder.decision` then
decides where the answer stops.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from matcher.core.align.alignment import align
from matcher.core.align.view import View
from matcher.core.altered import known_but_altered
from matcher.core.calibration import Calibration, log_odds
from matcher.core.card_lines import CardLine
from matcher.core.condition import Condition, condition, glare, residual_contrast
from matcher.core.describe import Description, describe
from matcher.core.detect.detection import CardQuad, Detections, as_held, detect, fitting_sizes, own_sizes
from matcher.core.flatten import Face, flatten
from matcher.core.formats import shape_words
from matcher.core.ladder.candidate import Candidate, Confidence
from matcher.core.ladder.caption import judge_caption
from matcher.core.ladder.caption_zone import is_picture
from matcher.core.ladder.copy import judge_copy
from matcher.core.ladder.crop import judge_crop
from matcher.core.ladder.decision import Answer, decide, is_open, marks_asked, words_asked
from matcher.core.ladder.mark import MarkFinding, glanced_mark, judge_mark, mark_words
from matcher.core.ladder.pose import judge_pose
from matcher.core.ladder.registered import Registered
from matcher.core.ladder.standing import CaptionEvidence
from matcher.core.ladder.verification import verify
from matcher.core.ladder.words import WordsFinding
from matcher.core.ocr.caption_match import all_read, match_captions
from matcher.core.ocr.every_line import lines_of_photo
from matcher.core.ocr.line_evidence import compare_words
from matcher.core.ocr.line_pairs import Sight, firm_lines, written_on
from matcher.core.ocr.line_parts import differences, parts_of, stand_alike
from matcher.core.ocr.mark_match import match_marks
from matcher.core.ocr.reading import can_read, read_caption
from matcher.core.ocr.way_up import as_words_stand
from matcher.core.photo import Photo
from matcher.core.reference_set import ReferenceSet
from matcher.core.search.reference_index import Hit
from matcher.core.settings import FaceSize, Settings

NEW = ("new_mark", "new_caption", "new_crop", "new_pose")
"""Outcomes of which a record is made: what is written on the card is read for it."""

LITTLE_JUDGED = 0.3
"""Share of the face below which a new crop is not believed before a mirrored picture was tried; by hand."""

RIVAL, RIVAL_MATCHES = 0.5, 12
"""Share of the best format's matches, and their number, from which another format of a card is looked at as well; own
choice: the same picture seen as two shapes that differ by 3 % keeps nearly all of its matches."""


@dataclass(frozen=True)
class CardAnswer:
    """One card of a photo: where it is, what it is, how it looks flattened.

    Outline, face and condition are of the card as it stands upright, as far as that is known. lines: what is written
    along its edges, where there was a reason to read all of it.
    """

    outline: CardQuad
    face: Face
    condition: Condition
    answer: Answer
    lines: tuple[CardLine, ...] = ()


@dataclass(frozen=True)
class Identification:
    """All cards of one photo, in reading order; `reason` says why where there are none."""

    photo: Photo
    cards: tuple[CardAnswer, ...]
    reason: str = ""


def identify(
    photo: Photo,
    references: ReferenceSet,
    settings: Settings,
    calibration: Calibration,
    given: Detections | None = None,
) -> Identification:
    """Find and identify every card in the photo.

    given: outlines that a person has drawn, in place of finding them.
    Where no card is seen the `Identification` has none, and says why. Raises nothing of its own; what `references` may
    raise where a reference cannot be read goes through.
    """
    outlines = detect(photo, known_sizes(references, settings)) if given is None else given
    cards: tuple[CardAnswer, ...] = ()
    if all(outline.odd for outline in outlines):  # or there are none
        cards = tuple(_shown_by_match(photo, outlines.unsure, references, settings, calibration))
    cards = cards or tuple(_likelier_outline(photo, one, references, settings, calibration) for one in outlines)
    return Identification(photo, cards, "" if cards else outlines.reason)


def _shown_by_match(
    photo: Photo,
    outlines: Sequence[CardQuad],
    references: ReferenceSet,
    settings: Settings,
    calibration: Calibration,
) -> Iterator[CardAnswer]:
    """Of outlines that are more likely no card's, those that hold a known picture: tables and clothes hold none.

    Where picture and window both fit, the outline is right as well. Where only the picture does, what looks like
    another crop may be a wrong outline, and the answer stays open, unless words of the card stand where they do on a
    known one. Another exposure of a known sitter shares many
    features with it, which no cloth does.
    """
    settled, least = settings.thresholds.pose, settings.ladder.decision.least_matches
    for outline in outlines:
        card = identify_card(photo, outline, references, settings, calibration)
        answer, matches = card.answer, max((one.matches for one in card.answer.compared), default=0)
        if _fit(card) >= settled or (answer.outcome == "new_crop" and _words_stand_alike(card, references, settings)):
            yield card
        elif (answer.confidence.pose or 0.0) >= settled or matches >= least:
            unsure = f"its outline is only {outline.score:.0%} likely to be right: check or draw the four corners"
            outcome = "undecided" if answer.outcome == "new_crop" else answer.outcome
            yield replace(card, answer=replace(answer, outcome=outcome, reasons=(*answer.reasons, unsure)))


def _words_stand_alike(card: CardAnswer, references: ReferenceSet, settings: Settings) -> bool:
    """Whether words were read on the card just where a reference of its pose has them."""
    read = partial(written_on, settings=settings.ocr)
    pose = card.answer.established.get("pose")
    compared = [one.reference.id for one in card.answer.compared if one.alignment and one.record.pose == pose]
    known = (firm_lines(references.lines(reference, read), settings.ocr) for reference in compared)
    return any(stand_alike(card.lines, lines) for lines in known)


def _likelier_outline(
    photo: Photo, outline: CardQuad, references: ReferenceSet, settings: Settings, calibration: Calibration
) -> CardAnswer:
    """Where two outlines of one card are nearly as likely, and the first fits no known card, the match decides."""
    first = identify_card(photo, outline, references, settings, calibration)
    settled = settings.thresholds.pose
    if outline.runner_up is None or _fit(first) >= settled:
        return first
    other = replace(outline, corners=outline.runner_up, runner_up=None, sizes=())
    second = identify_card(photo, other, references, settings, calibration)
    # Only a match speaks for the other outline: that it fits nothing a little better says nothing.
    before, after = (card.answer.confidence.pose or 0.0 for card in (first, second))
    return second if _fit(second) >= settled or before < settled <= after else first


def _fit(card: CardAnswer) -> float:
    """How likely picture and window both are those of a known card."""
    confidence = card.answer.confidence
    return (confidence.pose or 0.0) * (confidence.crop or 0.0)


def identify_card(
    photo: Photo, outline: CardQuad, references: ReferenceSet, settings: Settings, calibration: Calibration
) -> CardAnswer:
    """Flatten, describe, shortlist, verify, decide: one card, outlined; raises as `identify` does.

    A card that may have several formats is looked at as each of them, and the match decides.
    """
    known = known_sizes(references, settings)
    sizes = possible_sizes(photo, outline, known)
    lying = [as_held(outline, size) for size in sizes]
    faces = [flatten(photo, one, size) for one, size in zip(lying, sizes, strict=True)]
    scale = _px_per_mm(outline, faces[0])
    problem = _unreadable(faces[0], scale, settings)
    if problem:  # with nothing to match, it stays as it was outlined
        return CardAnswer(lying[0], faces[0], condition(faces[0], photo, lying[0]), _nothing_read(problem))
    read = [_right_way_up(*pair, references) for pair in zip(lying, faces, strict=True)]
    # Where none resembles anything, the nearest shape stays first.
    read.sort(key=lambda one: one.matches if one.matches >= RIVAL_MATCHES else 0, reverse=True)
    rivals = [one for one in read[1:] if one.matches >= max(RIVAL * read[0].matches, RIVAL_MATCHES)]
    answers = [_judged(photo, one, scale, references, settings, calibration) for one in [read[0], *rivals[:1]]]
    best = max(answers, key=_fit)  # of equals the first
    return best if best.face.size in known else _told_odd(best)


def _judged(
    photo: Photo,
    upright: _Upright,
    scale: float,
    references: ReferenceSet,
    settings: Settings,
    calibration: Calibration,
) -> CardAnswer:
    """The ladder, for a card of which format and way up are settled."""
    outline, face = upright.outline, upright.face
    problem = _back(outline, upright.hits, settings)
    if problem:
        return CardAnswer(outline, face, condition(face, photo, outline), _nothing_read(problem))
    upright = _as_words_stand(photo, upright, references, settings)
    face = upright.face
    facts = condition(upright.face, photo, upright.outline)
    view = View(upright.face, upright.description)
    candidates = verify(view, references, calibration, upright.hits, settings.ladder)
    answer, lines = _decided(photo, upright, candidates, references, settings, calibration)
    if scale < settings.thresholds.words_px_per_mm:
        answer = _without_words(answer, scale * _longest_mm(face), settings.thresholds.words_px_per_mm / scale)
    if not _resembles(upright.hits, settings) or _barely_laid(answer):
        altered = known_but_altered(upright.face, references, calibration, settings)
        answer = replace(answer, outcome="undecided", reasons=(altered, *answer.reasons)) if altered else answer
    return CardAnswer(upright.outline, upright.face, facts, answer, lines)


def _barely_laid(answer: Answer) -> bool:
    """Hardly any picture could be judged: it may have been laid wrongly, a mirrored one say."""
    judged = [one.pose.judged for one in answer.candidates[:1] if one.pose]
    return answer.outcome in ("new_crop", "undecided") and max(judged, default=1.0) < LITTLE_JUDGED


def _decided(
    photo: Photo,
    upright: _Upright,
    candidates: Sequence[Candidate],
    references: ReferenceSet,
    settings: Settings,
    calibration: Calibration,
) -> tuple[Answer, tuple[CardLine, ...]]:
    """The answer, with what reading adds to it; and every line on the card, where all of it was read."""
    decided = partial(
        decide, thresholds=settings.thresholds, top=settings.top, calibration=calibration, settings=settings.ladder
    )
    answer, read = decided(candidates), None
    if not can_read(settings.ocr):
        return answer, ()
    found_words = _words(photo, upright, words_asked(answer, settings.ladder.decision), references, settings)
    if found_words:
        candidates = [replace(one, words=found_words.get(one.reference.id)) for one in candidates]
        read = CaptionEvidence({}, _read_in_words(answer, found_words))
        answer = decided(candidates, reading=read)
    elif is_open(answer, settings.ladder.decision):
        read = _read_captions(photo, upright, candidates, settings)
        answer = decided(candidates, reading=read)
    elif answer.outcome in NEW:
        # It decides nothing any more: a person who enters the card is told what is printed on it.
        words = _read_captions(photo, upright, candidates, settings).words
        answer = replace(answer, reasons=(*answer.reasons, f"the card's words: {words}"))
    asked, lines = marks_asked(answer, settings.thresholds), tuple[CardLine, ...]()
    if asked:
        found, lines = _marks(photo, upright, asked, references, settings)
        answer = decided([replace(one, mark=found.get(one.reference.id)) for one in candidates], reading=read)
    if answer.outcome in NEW and not lines:
        lines = lines_of_photo(photo, upright.outline, upright.face.size, settings.ocr)
    return _told_apart(answer, lines), lines


def _words(
    photo: Photo, upright: _Upright, asked: Sequence[Candidate], references: ReferenceSet, settings: Settings
) -> dict[int, WordsFinding]:
    """What ink and reading say together of each candidate's words, by its reference; of those of which a line was found
    on the reference."""
    read, found = partial(written_on, settings=settings.ocr), {}
    for one in asked:
        sight = Sight(photo, upright.outline, upright.face, references.face(one.reference.id), one.alignment.transform)
        words = compare_words(sight, references.lines(one.reference.id, read), one, settings.ocr)
        if words:
            found[one.reference.id] = words
    return found


def _read_in_words(answer: Answer, found: Mapping[int, WordsFinding]) -> str:
    """What was read on the query, as it was looked at for the closest record that was read."""
    return next((found[one.reference.id].read for one in answer.compared if one.reference.id in found), "")


def _told_apart(answer: Answer, lines: Sequence[CardLine]) -> Answer:
    """A new caption, with the lines that differ from the closest record's, in words."""
    if answer.outcome != "new_caption" or not answer.candidates:
        return answer
    told = differences(lines, parts_of(lines, answer.candidates), answer.candidates[0].record)
    return replace(answer, reasons=(*answer.reasons, *told))


def _marks(
    photo: Photo, upright: _Upright, asked: Sequence[Candidate], references: ReferenceSet, settings: Settings
) -> tuple[dict[int, MarkFinding], tuple[CardLine, ...]]:
    """What is found of each candidate's mark, by its reference, and what was read on the card.

    The card is not read where the ink alone says that it is one of them.
    """
    rules, read = settings.ladder.mark, partial(written_on, settings=settings.ocr)

    def judged(judge: Callable[..., MarkFinding], lines: Sequence[CardLine]) -> dict[int, MarkFinding]:
        found = {}
        for one in asked:
            record, known = one.record, firm_lines(references.lines(one.reference.id, read), settings.ocr)
            told = match_marks(lines, known, record.mark, (record.caption, record.club), settings.ocr.marks)
            reference = references.face(one.reference.id)
            found[one.reference.id] = judge(upright.face, reference, one.alignment.transform, told, settings=rules)
        return found

    glanced = judged(glanced_mark, ())
    sure = [one.probability for one in glanced.values() if one.is_settled(rules.glance)]
    if len(sure) == len(glanced) and max(one or 0.0 for one in sure) >= rules.glance:
        return glanced, ()
    lines = lines_of_photo(photo, upright.outline, upright.face.size, settings.ocr)
    return judged(judge_mark, lines), lines


def _told_odd(card: CardAnswer) -> CardAnswer:
    """With what it is first of all: something that no known format has."""
    size = card.face.size
    slenderness = min(size.width_mm, size.height_mm) / max(size.width_mm, size.height_mm)
    told = f"{shape_words(slenderness)}, which is no format of this catalogue"
    if card.outline.heap:
        told = "cards seem to lie over each other here: lay them side by side, and take the picture again"
    answer = replace(card.answer, reasons=(told, *card.answer.reasons))
    return replace(card, answer=answer, outline=replace(card.outline, odd=True))


def known_sizes(references: ReferenceSet, settings: Settings) -> tuple[FaceSize, ...]:
    """Of the formats that a photo may show: those of the known cards; of an empty catalogue's the settings'."""
    return references.sizes or (settings.face,)


def possible_sizes(photo: Photo, outline: CardQuad, known: Sequence[FaceSize]) -> tuple[FaceSize, ...]:
    """Of the formats that a card in this outline may have, the likeliest first; its own shape where it has none."""
    if outline.sizes:
        return outline.sizes
    fitting = () if outline.odd else fitting_sizes(photo, outline.corners, known)
    return fitting or own_sizes(photo, outline.corners)


def _resembles(hits: Sequence[Hit], settings: Settings) -> bool:
    """Whether any known picture shares so many features with this one that it may be the same."""
    return max((hit.inliers for hit in hits), default=0) >= settings.ladder.decision.least_matches


@dataclass(frozen=True)
class CardSimilarity:
    """How two cards agree, rung by rung; None where a rung was not reached or cannot be told.

    upside_down: one of the two stands on its head, and nothing was compared.
    """

    pose: float | None = None
    crop: float | None = None
    caption: float | None = None
    copy: float | None = None
    upside_down: bool = False


def compare_cards(query: View, reference: View, settings: Settings, calibration: Calibration) -> CardSimilarity:
    """Lay two cards over each other, neither of which need be enrolled; it ends at the rung that tells them apart."""
    alignment = align(query, reference)
    if alignment.upside_down:
        return CardSimilarity(upside_down=True)
    if not alignment:
        return CardSimilarity(0.0)
    pair = Registered.of(query.face, reference.face, alignment, settings.ladder)
    pose = judge_pose(pair, calibration)
    if pose is None or pose.probability <= 1 - settings.thresholds.pose:
        return CardSimilarity(pose.probability if pose else None)
    crop = judge_crop(pair, calibration)
    if crop.probability <= 1 - settings.thresholds.crop:
        return CardSimilarity(pose.probability, crop.probability)
    caption, copy = judge_caption(pair, calibration), judge_copy(pair, crop, calibration)
    return CardSimilarity(pose.probability, crop.probability, caption.probability, copy.probability)


@dataclass(frozen=True)
class _Upright:
    """A card the right way up, and what it was searched by."""

    outline: CardQuad
    face: Face
    description: Description
    hits: tuple[Hit, ...]

    @property
    def matches(self) -> int:
        """Of the reference that resembles it most."""
        return max((hit.inliers for hit in self.hits), default=0)


def _read_captions(
    photo: Photo, upright: _Upright, candidates: Sequence[Candidate], settings: Settings
) -> CaptionEvidence:
    """Have the words read, and compare them with those that the inks were compared with."""
    compared = [c for c in candidates if c.caption_probability is not None and c.crop_probability >= 0.5]
    known = {c.record.record_id: c.record for c in compared}
    words = {
        name: (record.caption, record.club, mark_words(record.mark) or record.issuer) for name, record in known.items()
    }
    read = read_caption(
        photo,
        upright.outline,
        upright.face.size,
        enough=partial(all_read, known=tuple(words.values()), settings=settings.ocr.match),
        head_worded=not is_picture(upright.face, settings.ladder),
        settings=settings.ocr,
    )
    found = match_captions(read, words, settings=settings.ocr)
    odds = {record_id: log_odds(score.probability) for record_id, score in found.scores.items()}
    return CaptionEvidence(odds, found.words)


def _nothing_read(problem: str) -> Answer:
    return Answer("unreadable", {}, Confidence(), (), (problem,))


def _back(outline: CardQuad, hits: Sequence[Hit], settings: Settings) -> str:
    """Why this is taken for a card's back; empty where it is none: no back resembles an enrolled front."""
    back = outline.back or 0.0
    if back < settings.thresholds.back or _resembles(hits, settings):
        return ""
    return f"this looks like a card's back ({100 * back:.0f} %): photograph the front"


def _px_per_mm(outline: CardQuad, face: Face) -> float:
    """The photo's resolution on the card: pixels of its two long sides over the mm of its face's."""
    left, right = (float(np.linalg.norm(outline.corners[a] - outline.corners[b])) for a, b in ((0, 3), (1, 2)))
    return (left + right) / 2 / _longest_mm(face)


def _longest_mm(face: Face) -> float:
    return max(face.size.width_mm, face.size.height_mm)


def _without_words(answer: Answer, height_px: float, larger: float) -> Answer:
    """What is left of an answer where the picture is too small for words to be compared."""
    if answer.outcome not in ("known", "new_caption", "new_mark"):
        return answer
    small = (
        f"the card is {height_px:.0f} pixels high, too small to compare its words: "
        f"ask for a picture {larger:.1f} times larger"
    )
    kept = {name: value for name, value in answer.established.items() if name in ("pose", "crop")}
    confidence = replace(answer.confidence, caption=None, mark=None, record=None, copy=None)
    return replace(
        answer, outcome="undecided", established=kept, confidence=confidence, reasons=(*answer.reasons[:2], small)
    )


def _unreadable(face: Face, px_per_mm: float, settings: Settings) -> str:
    """Why this face need not be compared with anything; empty where it may."""
    limits, burnt = settings.thresholds, glare(face)
    if px_per_mm < limits.least_px_per_mm:
        height, needed = (round(scale * _longest_mm(face)) for scale in (px_per_mm, limits.least_px_per_mm))
        return (
            f"the card is too small in the picture, {height} pixels high, and at least {needed} are needed: "
            "send the full-size picture"
        )
    if burnt + face.outside > limits.most_glare >= burnt:
        return f"{100 * face.outside:.0f} % of the card lies outside the photo: show all four edges"
    if burnt > limits.most_glare:
        return f"{100 * burnt:.0f} % of the front is hidden by glare: tilt the card or move the lamp"
    contrast = residual_contrast(face)
    if contrast < limits.least_contrast:
        return "hardly any picture is left, or the photo is too dark: photograph it in better light"
    return ""


def _right_way_up(outline: CardQuad, face: Face, references: ReferenceSet) -> _Upright:
    """Turn the card over where the references it resembles say that it stands on its head, and no person has said."""
    description = describe(face)
    hits = references.search(description)
    if outline.by_hand:
        return _Upright(outline, face, description, tuple(hit for hit in hits if not hit.turned))
    matches, turned = (sum(hit.inliers for hit in hits if hit.turned == way) for way in (False, True))
    if turned <= matches:
        return _Upright(outline, face, description, hits)
    face = face.half_turn()
    description = describe(face)
    # What was seen on it spoke for the other way up.
    corners, seen_upright = np.roll(outline.corners, 2, axis=0), 1 - outline.upright
    outline = replace(outline, corners=corners, upright=seen_upright)
    return _Upright(outline, face, description, references.search(description))


def _as_words_stand(photo: Photo, upright: _Upright, references: ReferenceSet, settings: Settings) -> _Upright:
    """Turn the card over where its words stand on their feet the other way up, what is seen on it is in doubt, and
    nothing known resembles it that could tell."""
    if _resembles(upright.hits, settings):
        return upright
    outline = as_words_stand(photo, upright.outline, upright.face.size, settings.ocr)
    if np.array_equal(outline.corners, upright.outline.corners):
        return replace(upright, outline=outline)
    face = upright.face.half_turn()
    description = describe(face)
    return _Upright(outline, face, description, references.search(description))
