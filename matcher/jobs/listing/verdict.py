"""Judgements in, one verdict in three steps out, with the questions worth asking the seller. Never an appraisal."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from matcher.core.ladder.decision import LOOK_AT, why_of
from matcher.jobs.listing.card_evidence import CardEvidence, CatalogueFacts
from matcher.jobs.listing.carriers import Judgement

Step = Literal["in accord", "at odds", "open"]

STEPS: Mapping[Step, str] = {
    "in accord": "the pictures agree with what is said of subject, pose, crop or caption, and conflict with nothing",
    "at odds": "the pictures conflict with something that is said",
    "open": "the pictures cannot settle what is said",
}

OF_THE_PICTURE = ("subject", "pose", "crop", "caption")
"""Kinds of claims of which at least one must agree."""

_ASKS: Mapping[str, str] = {
    "rebacked": "May I see the back and the edges, as the card lies? Has it ever been rebacked?",
    "back damage": "May I see a picture of the back?",
    "trimmed": "What does the card measure in mm, along all four sides? A flat scan at 300 dpi would show it.",
    "size": "What does the card measure in mm? A flat scan that keeps its resolution would show it.",
    "stained": "May I see the stains close up, in even light?",
    "creased": "May I see the creases close up, with light from the side?",
    "torn": "May I see the tears close up?",
    "pinholes": "May I see the pinholes close up, from both sides?",
    "toned": "May I see it beside a sheet of white paper, in daylight?",
    "scratched": "May I see the surface close up, with light from the side?",
    "faded": "May I see a picture in daylight, without any enhancement?",
    "strong image": "May I see a picture in daylight, without any enhancement?",
    "count": "Which cards exactly are for sale? May I see each of them?",
    "caption": "May I see the words on the card close up and sharp?",
    "crop": "May I see the whole card with all four edges?",
    "pose": "Is the card in the picture the one for sale? Which pose does it show?",
    "subject": "Is the card in the picture the one for sale? Whom does it show?",
    "unlisted": "What makes it unlisted, and against which list was that checked?",
    "year": "What is the year based on?",
    "club": "Which club is printed on the card?",
    "issuer": "Which issuer is printed on the card?",
    "series": "What is the series based on?",
}


@dataclass(frozen=True)
class Verdict:
    """step: one of `STEPS`. words: what it rests on. notes: what else is worth knowing. questions: for the seller."""

    step: Step
    words: str
    notes: tuple[str, ...]
    questions: tuple[str, ...]


SURELY_SHOWN = 0.9
"""Probability of a pose from which its sitter is shown; our own choice."""


def decide(
    judgements: Sequence[Judgement],
    cards: Sequence[CardEvidence],
    known: CatalogueFacts,
) -> Verdict:
    """The verdict on a listing."""
    against = [one for one in judgements if one.status == "contradicts"]
    borne = [one for one in judgements if one.status == "agrees" and one.claim.kind in OF_THE_PICTURE]
    notes = tuple(_notes(judgements, cards, known))
    questions = tuple(dict.fromkeys(_questions(judgements, cards)))
    if against:
        worst = sorted(against, key=lambda one: _weight(one.claim.kind))
        return Verdict("at odds", "; ".join(one.reason for one in worst[:3]), notes, questions)
    sitters = _sitters(cards, known)
    if borne and len(sitters) > 1 and not any(one.claim.kind == "count" for one in judgements):
        told = f"the pictures show {', '.join(sitters[:-1])} and {sitters[-1]}: ask which of them is for sale"
        return Verdict("open", told, notes, questions)
    if borne:
        told = ", ".join(
            dict.fromkeys(one.claim.kind for one in sorted(borne, key=lambda one: _weight(one.claim.kind)))
        )
        left = sum(one.status == "cannot be told" for one in judgements)
        more = f"; {left} of {len(judgements)} claims cannot be told" if left else ""
        return Verdict("in accord", f"{told} as described{more}", notes, questions)
    return Verdict("open", _why_open(judgements, cards), notes, questions)


def _sitters(cards: Sequence[CardEvidence], known: CatalogueFacts) -> list[str]:
    """Who is shown, as far as it is settled."""
    surely = [card.likeliest_pose[0] for card in cards if card.likeliest_pose[1] >= SURELY_SHOWN]
    return [*dict.fromkeys(filter(None, map(known.subject_of, surely)))]


def _weight(kind: str) -> int:
    """The card itself before what is told of it."""
    order = ("pose", "subject", "caption", "crop", "unlisted")
    return order.index(kind) if kind in order else len(order)


def _why_open(judgements: Sequence[Judgement], cards: Sequence[CardEvidence]) -> str:
    if not cards:
        return "the pictures show no card that could be compared"
    if not judgements:
        return "nothing was read from the text that a picture could show"
    first = next((one for one in judgements if one.claim.kind in OF_THE_PICTURE), judgements[0])
    return first.reason


def _notes(
    judgements: Sequence[Judgement],
    cards: Sequence[CardEvidence],
    known: CatalogueFacts,
) -> Iterator[str]:
    status = {(one.claim.kind, one.status) for one in judgements}
    if ("subject", "agrees") in status and ("pose", "contradicts") in status:
        yield "the sitter is right, the pose is not: the picture may be of another card"
    named = {
        value for one in judgements if one.claim.kind == "subject" for value in (one.claim.value, *one.claim.others)
    }
    for card in cards:
        subject = known.subject_of(card.likeliest_pose[0])
        if named and subject not in named and card.likeliest_pose[1] >= SURELY_SHOWN:
            yield f"{card.where} shows {subject}, whom the text does not name"
    if len(cards) > 1 and not any(one.claim.kind == "count" for one in judgements):
        yield f"the pictures show {len(cards)} cards; the text does not say how many are for sale"
    yield from (
        f"{card.where}: {why}" for card in cards if card.outcome == "new_pose" and (why := why_of(card.reasons))
    )
    yield from (f"{card.where}: {one}" for card in cards for one in card.reasons if one.startswith(LOOK_AT))
    yield from (one.words for card in cards for one in card.seen)


def _questions(judgements: Iterable[Judgement], cards: Sequence[CardEvidence]) -> Iterator[str]:
    seen = {one.kind for card in cards for one in card.seen}
    if "same file" in seen:
        yield "May I see a new picture of the card, beside a slip with today's date?"
    if "same card" in seen:
        yield "Where did the card come from?"
    if not cards:
        yield "May I see the card from straight above, all four edges, in even light?"
    for wanted in ("contradicts", "cannot be told"):
        for one in judgements:
            if one.status == wanted:
                asked = one.claim.value if one.claim.kind == "condition" else one.claim.kind
                if asked in _ASKS:
                    yield _ASKS[asked]
    if any(card.outcome == "unreadable" for card in cards):
        yield "May I see it without glare, in even light?"
