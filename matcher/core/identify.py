"""The whole line: a `Photo` and a `ReferenceSet` in, an `Identification` out.

The only place that knows the order of the stages. For each card found it makes a shortlist, registers the most
promising references, and goes up the ladder with them: pose, crop, caption, mark, copy. `core.ladder.decision` then
decides where the answer stops.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import partial

from matcher.core.align.view import View
from matcher.core.altered import known_but_altered
from matcher.core.calibration import Calibration
from matcher.core.card_lines import CardLine
from matcher.core.card_words import CardWords, read_beside
from matcher.core.condition import Condition, condition
from matcher.core.detect.card_quad import CardQuad, Detections
from matcher.core.detect.card_sizes import fitting_sizes, own_sizes
from matcher.core.detect.detection import detect
from matcher.core.detect.turning import as_held
from matcher.core.flatten import Face, flatten
from matcher.core.formats import shape_words
from matcher.core.ladder.candidate import Candidate, Confidence
from matcher.core.ladder.decision import LOOK_AT, NEW, Answer, decide, is_open, marks_asked, words_asked
from matcher.core.ladder.standing import CaptionEvidence
from matcher.core.ladder.verification import verify
from matcher.core.ocr.kept_lines import LineReading
from matcher.core.ocr.line_pairs import firm_lines
from matcher.core.ocr.line_parts import differences, in_known_words, one_thing_each, parts_of, stand_alike
from matcher.core.ocr.reading import can_read
from matcher.core.outline_doubts import as_far_as_shown, with_outline_doubts
from matcher.core.photo import Photo
from matcher.core.reference_set import ReferenceSet
from matcher.core.settings import FaceSize, Settings
from matcher.core.unreadable import back_of_card, bare_thing, nothing_read, px_per_mm, unreadable, without_words
from matcher.core.upright import Upright, resembles, right_way_up, turned_by_words

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
            unsure = (
                f"{LOOK_AT}the outline: only {outline.score:.0%} likely to be right: check or draw the four corners"
            )
            outcome = "undecided" if answer.outcome == "new_crop" else answer.outcome
            yield replace(card, answer=replace(answer, outcome=outcome, reasons=(*answer.reasons, unsure)))


def _words_stand_alike(card: CardAnswer, references: ReferenceSet, settings: Settings) -> bool:
    """Whether words were read on the card just where a reference of its pose has them."""
    reading, pose = LineReading(settings.ocr), card.answer.established.get("pose")
    compared = [one.reference.id for one in card.answer.compared if one.alignment and one.record.pose == pose]
    written = (references.read(reference, reading) for reference in compared)
    return any(stand_alike(card.lines, firm_lines(lines, settings.ocr)) for lines in written)


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
    scale = px_per_mm(outline, faces[0])
    problem = unreadable(faces[0], scale, settings)
    if problem:  # with nothing to match, it stays as it was outlined
        return CardAnswer(lying[0], faces[0], condition(faces[0], photo, lying[0]), nothing_read(problem))
    read = [right_way_up(*pair, references) for pair in zip(lying, faces, strict=True)]
    # Where none resembles anything, the nearest shape stays first.
    read.sort(key=lambda one: one.matches if one.matches >= RIVAL_MATCHES else 0, reverse=True)
    rivals = [one for one in read[1:] if one.matches >= max(RIVAL * read[0].matches, RIVAL_MATCHES)]
    answers = [_judged(photo, one, scale, references, settings, calibration) for one in [read[0], *rivals[:1]]]
    best = max(answers, key=_fit)  # of equals the first
    return best if best.face.size in known else _told_odd(best)


def _judged(
    photo: Photo,
    upright: Upright,
    scale: float,
    references: ReferenceSet,
    settings: Settings,
    calibration: Calibration,
) -> CardAnswer:
    """The ladder, for a card of which format and way up are settled."""
    doubted = upright.outline.bare
    if doubted:  # whether it is a card at all
        upright = turned_by_words(photo, upright, references, settings)
    outline, face = upright.outline, upright.face
    problem = back_of_card(outline, upright.hits, settings) or bare_thing(outline)
    if problem:
        return CardAnswer(outline, face, condition(face, photo, outline), nothing_read(problem))
    if not doubted:
        upright = turned_by_words(photo, upright, references, settings)
    face = upright.face
    facts = condition(upright.face, photo, upright.outline)
    view = View(upright.face, upright.description)
    words = CardWords(photo, upright.outline, face, references, settings) if can_read(settings.ocr) else None
    compared = verify(view, references, calibration, upright.hits, settings.ladder, words)
    candidates = as_far_as_shown(compared, photo, upright.outline)
    answer, lines = _decided(words, candidates, settings, calibration)
    if scale < settings.thresholds.words_px_per_mm:
        answer = without_words(answer, face, scale, settings)
    if not resembles(upright.hits, settings) or _barely_laid(answer):
        altered = known_but_altered(upright.face, references, calibration, settings)
        # As it lies nothing of it was compared: what it resembled by chance is told of no more.
        answer = Answer("undecided", {}, Confidence(), (), (altered,)) if altered else answer
    read = lines if words else None
    answer = with_outline_doubts(answer, facts, photo, upright.outline, read)
    return CardAnswer(upright.outline, upright.face, facts, answer, lines)


def _barely_laid(answer: Answer) -> bool:
    """Hardly any picture could be judged: it may have been laid wrongly, a mirrored one say."""
    judged = [one.pose.judged for one in answer.candidates[:1] if one.pose]
    return answer.outcome in ("new_crop", "undecided") and max(judged, default=1.0) < LITTLE_JUDGED


def _decided(
    words: CardWords | None, candidates: Sequence[Candidate], settings: Settings, calibration: Calibration
) -> tuple[Answer, tuple[CardLine, ...]]:
    """The answer, with what reading adds to it; and every line on the card, where all of it was read.

    words: what is written on the card; None where nothing can be read.
    """
    decided = partial(
        decide, thresholds=settings.thresholds, top=settings.top, calibration=calibration, settings=settings.ladder
    )
    answer, read = decided(candidates), None
    if words is None:
        return answer, ()
    beside = words.beside(words_asked(answer, settings.ladder.decision))
    if beside:
        candidates = [replace(one, words=beside.get(one.reference.id)) for one in candidates]
        read = CaptionEvidence({}, read_beside(answer.compared, beside))
    elif is_open(answer, settings.ladder.decision):
        read = words.captions(candidates)
    if read:
        answer = decided(candidates, reading=read)
    asked, lines = marks_asked(answer, settings.thresholds), tuple[CardLine, ...]()
    if asked:
        found, lines = words.marks(asked)
        answer = decided([replace(one, mark=found.get(one.reference.id)) for one in candidates], reading=read)
    if answer.outcome in NEW:  # a person who enters the card is told what is printed on it
        lines = words.lines
        if not read:
            answer = replace(answer, reasons=(*answer.reasons, f"the card's words: {words.told}"))
    lines = one_thing_each(lines, answer.candidates)
    told = in_known_words(lines, next(iter(answer.compared), None))
    return _told_apart(answer, told), told


def _told_apart(answer: Answer, lines: Sequence[CardLine]) -> Answer:
    """A new caption, with the lines that differ from the closest record's, in words."""
    if answer.outcome != "new_caption" or not answer.candidates:
        return answer
    told = differences(lines, parts_of(lines, answer.candidates), answer.candidates[0].record)
    return replace(answer, reasons=(*answer.reasons, *told))


def _told_odd(card: CardAnswer) -> CardAnswer:
    """With what it is first of all: something that no known format has."""
    size = card.face.size
    slenderness = min(size.width_mm, size.height_mm) / max(size.width_mm, size.height_mm)
    told = f"the outline: {shape_words(slenderness)}, which is no format of this catalogue"
    if card.outline.heap:
        told = "the cards: they seem to lie over each other: lay them side by side, and take the picture again"
    answer = replace(card.answer, reasons=(f"{LOOK_AT}{told}", *card.answer.reasons))
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
