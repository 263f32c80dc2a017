"""One claim and the pictured cards in, one judgement out: agrees, contradicts, or cannot be told from these pictures.

A claim contradicts only what the pictures settle: where a rung is open, where the catalogue has no description, or
where a front cannot show it, it cannot be told, and the reason says why. Within one picture a claim may be about any of
its cards; of several pictures each may show the thing.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from typing import Any

from matcher.catalogue.records.name_search import plain
from matcher.core.calibration import percent
from matcher.core.ladder.decision import why_of
from matcher.jobs.listing import facts
from matcher.jobs.listing.card_evidence import CardEvidence, CatalogueFacts
from matcher.jobs.listing.carriers import Claim, Described, Judgement
from matcher.jobs.listing.measures import years

SETTLED = 0.75
"""Probability from which on something counts as pictured: as for an answer of `identify`."""

CONTRADICTS_FROM = 0.8
"""Probability from which on a claim contradicts: a wrong word about a seller costs more than an open question. On the
evaluation's pictures for tuning, 0.9 left one true contradiction in ten open and spared no false one."""

GroupOf = Callable[[str, str], str]
Said = frozenset[str]


def compare(
    claim: Claim, cards: Sequence[CardEvidence], known: CatalogueFacts, group_of: GroupOf, said: Said = frozenset()
) -> Judgement:  # fmt: skip
    """Judge one claim by all pictured cards. said: everything of the claim's kind that the listing says."""
    if claim.kind == "count":
        return facts.count(claim, cards)
    if not cards:
        return _open(claim, "the pictures show no card")
    said = said | {claim.value}
    each = [_turned(claim, _judge(claim, card, known, group_of, said), card) for card in cards]
    return _together(claim, each, cards)


def _judge(
    claim: Claim, card: CardEvidence, known: CatalogueFacts, group_of: GroupOf, said: Said
) -> Judgement:  # fmt: skip
    if card.outcome == "unreadable":
        return _open(claim, f"the picture cannot be read: {'; '.join(card.reasons)}")
    if claim.kind == "pose":
        return _pose(claim, card, known, group_of, said)
    if claim.kind == "crop":
        return _crop(claim, card, known, group_of, said)
    return _OF_KIND[claim.kind](claim, card, known)


def _subject(claim: Claim, card: CardEvidence, known: CatalogueFacts) -> Judgement:
    meant = (claim.value, *claim.others)
    subjects: dict[str, float] = {}
    for pose, probability in card.poses.items():
        subject = known.subject_of(pose)
        subjects[subject] = min(1.0, subjects.get(subject, 0.0) + probability)
    yes, no = _split(subjects, lambda subject: subject in meant)
    shown = max(subjects, key=lambda subject: subjects[subject], default="")
    told = f"the description names {_either(meant)}; the picture shows {shown}"
    pose = card.likeliest_pose[0]
    return _decided(claim, card, yes, no, told, f"the picture shows {shown}, pose {pose}", evidence={"shown": shown})


def _pose(claim: Claim, card: CardEvidence, known: CatalogueFacts, group_of: GroupOf, said: Said) -> Judgement:
    """By the descriptions of all poses that the card may show."""
    yes, _ = _split(card.poses, lambda pose: claim.value in known.described(pose).terms)
    no, _ = _split(card.poses, lambda pose: _pose_rules_out(pose, claim, known, group_of, said))
    pose, sure = card.likeliest_pose
    described = ", ".join(sorted(known.described(pose).terms))
    if sure >= SETTLED and not described:
        return _open(claim, f"your catalogue has no description of pose {pose}, which the picture shows", card)
    if sure >= SETTLED and not yes and not no:
        why = f"pose {pose}, which the picture shows, is described as {described!r}, which says nothing of it"
        return _open(claim, why, card)
    others = [
        p for p in known.poses_of(known.subject_of(pose)) if p != pose and claim.value in known.described(p).terms
    ]
    named = f" ({', '.join(others)})" if others else ""
    told = f"the description names the pose {claim.value!r}{named}; the picture shows pose {pose}: {described}"
    good = f"the picture shows pose {pose}: {described}"
    return _decided(claim, card, yes, no, told, good, evidence={"pose": pose, "described": described, "named": others})


def _pose_rules_out(pose: str, claim: Claim, known: CatalogueFacts, group_of: GroupOf, said: Said) -> bool:
    """Whether a pose, as it is described, is not what is claimed."""
    others = [known.described(p) for p in known.poses_of(known.subject_of(pose)) if p != pose]
    return _rules_out(claim, known.described(pose), others, "pose", group_of, said)


def _rules_out(
    claim: Claim, own: Described, others: Iterable[Described], kind: str, group_of: GroupOf, said: Said
) -> bool:
    """Whether a description speaks against a claim. One that is silent on a thing does not.

    It does where it says what cannot be so at once; and where the listing says each part of another description, in
    whatever words, and nothing of this one that is not of that one too.
    """
    if not own or claim.value in own.terms:
        return False
    excluded = claim.group and any(group_of(kind, term) == claim.group for term in own.terms)
    return bool(excluded) or any(
        claim.value in one.terms and one.all_in(said) and own.terms & said <= one.terms for one in others
    )


def _crop(claim: Claim, card: CardEvidence, known: CatalogueFacts, group_of: GroupOf, said: Said) -> Judgement:
    pose, sure = card.likeliest_pose
    if sure < SETTLED:
        return _open(claim, _why_open(card), card)
    if card.outcome == "new_crop":
        return _open(claim, f"pose {pose} is shown in a crop that your catalogue does not know", card)
    described_as = {crop: known.crop_described(pose, crop) for crop in {r.crop for r in known.poses[pose]}}
    crop, fits = card.likeliest_crop
    if fits >= SETTLED and not described_as.get(crop):
        return _open(claim, f"your catalogue has no description of crop {crop} of pose {pose}", card)
    others = {c: [one for o, one in described_as.items() if o != c] for c in described_as}
    scaled = {c: sure * p for c, p in card.crops.items()}
    own = {c: described_as.get(c, Described()) for c in scaled}
    yes, _ = _split(scaled, lambda c: claim.value in own[c].terms)
    no, _ = _split(scaled, lambda c: _rules_out(claim, own[c], others.get(c, ()), "crop", group_of, said))
    described = ", ".join(sorted(described_as.get(crop, Described()).terms))
    if fits >= SETTLED and not yes and not no:
        return _open(claim, f"crop {crop} is described as {described!r}, which says nothing of it", card)
    told = f"the description names the crop {claim.value!r}; the picture shows crop {crop} of pose {pose}: {described}"
    good = f"the picture shows crop {crop} of pose {pose}: {described}"
    return _decided(claim, card, yes, no, told, good, evidence={"pose": pose, "crop": crop, "described": described})


def _caption(claim: Claim, card: CardEvidence, known: CatalogueFacts) -> Judgement:
    """The words as they are written: only a spelling that is known can contradict; another may be a slip."""
    if card.pose_and_crop < SETTLED:
        return _open(claim, _why_open(card), card)
    if not card.captions:
        return _open(claim, "the card's words are too faded, blurred or covered to be compared", card)
    fits = {record_id for record_id in card.captions if says(known.records[record_id].caption, claim.value)}
    best = max(card.captions, key=lambda record_id: card.captions[record_id])
    caption = known.records[best].caption
    evidence = {"record_id": best, "caption": caption}
    if card.outcome == "new_caption":  # which of them differ, name, club or issuer, that does not say
        return _open(claim, "the card's words are not quite those of any card that you know with this picture", card)
    yes, no = _split(card.captions, lambda record_id: record_id in fits)
    subject = known.records[best].subject
    spelt = [r.caption for r in known.records.values() if r.subject == subject] + [*known.spellings.get(subject, ())]
    if not any(says(text, claim.value) for text in spelt):
        told = (
            f"the words are {caption!r}; {claim.value!r} is no spelling that your catalogue knows: a slip, or a new one"
        )
        return _open(claim, told if yes + no >= SETTLED else _why_open(card), card)
    told = f"the description spells the caption {claim.value!r}; the picture shows {caption!r}"
    good = f"the words on the card are {caption!r}"
    both = card.pose_and_crop
    return _decided(claim, card, both * yes, both * no, told, good, evidence=evidence)


def says(caption: str, claimed: str) -> bool:
    """Whether a caption reads as claimed, or the claim gives a part of it in whole words.

    >>> says("Arturo Brellby", "BRELLBY"), says("Arturo Brellby", "Brelby")
    (True, False)
    """
    return f" {plain(claimed)} " in f" {plain(caption)} "


def _of_record(claim: Claim, card: CardEvidence, known: CatalogueFacts) -> Judgement:
    """Club and issuer, as printed: what the record says that the card may be of."""
    meant = (claim.value, *claim.others)
    return _by_record(claim, card, known, lambda text: text in meant)


def _year(claim: Claim, card: CardEvidence, known: CatalogueFacts) -> Judgement:
    slack = 5 if claim.numbers["about"] else 0

    def fits(text: str) -> bool:
        spans = [numbers for _, numbers in years(text)]
        first, last = claim.numbers["first"] - slack, claim.numbers["last"] + slack
        return any(numbers["first"] <= last and first <= numbers["last"] for numbers in spans)

    return _told_by_the_catalogue_alone(_by_record(claim, card, known, fits), claim, card, known)


def _series(claim: Claim, card: CardEvidence, known: CatalogueFacts) -> Judgement:
    meant = (claim.value, *claim.others)
    found = _by_record(claim, card, known, lambda text: text in meant)
    return _told_by_the_catalogue_alone(found, claim, card, known)


def _told_by_the_catalogue_alone(
    found: Judgement, claim: Claim, card: CardEvidence, known: CatalogueFacts
) -> Judgement:  # fmt: skip
    """No picture shows a year or a series: what your catalogue says otherwise is worth knowing, no contradiction."""
    record = known.records.get(str(found.evidence.get("record_id", "")))
    if found.status != "contradicts" or record is None:
        return found
    told = f"no picture shows a {claim.kind}; your catalogue says {getattr(record, claim.kind)} of {record.record_id}"
    return _open(claim, told, card, found.evidence)


def _by_record(claim: Claim, card: CardEvidence, known: CatalogueFacts, fits: Callable[[str], bool]) -> Judgement:
    if card.pose_and_crop < SETTLED:
        return _open(claim, _why_open(card), card)
    told = {record_id: getattr(known.records[record_id], claim.kind) for record_id in card.captions}
    of_pose = {getattr(record, claim.kind) for record in known.poses[card.likeliest_pose[0]]}
    if not any(of_pose):
        return _open(claim, f"your catalogue states no {claim.kind} for these cards", card)
    stated = {record_id: card.pose_and_crop * p for record_id, p in card.captions.items() if told[record_id]}
    yes, no = _split(stated, lambda record_id: fits(told[record_id]))
    if len(of_pose) == 1 and fits(next(iter(of_pose))) and card.outcome not in ("new_caption", "new_crop"):
        yes = max(yes, card.likeliest_pose[1])
    best = max(stated, key=lambda record_id: stated[record_id], default="")
    shown = f"record {best}, whose {claim.kind} is {told[best]}" if best else "pose " + card.likeliest_pose[0]
    against = f"the description says {claim.value}; the picture shows {shown}"
    return _decided(claim, card, yes, no, against, f"the picture shows {shown}", evidence={"record_id": best})


def _unlisted(claim: Claim, card: CardEvidence, known: CatalogueFacts) -> Judgement:
    """New to the catalogue at hand; of other people's lists nothing is known."""
    if card.outcome == "known" and card.record_id:
        sure = card.pose_and_crop * card.captions.get(card.record_id, 0.0)
        told = f"called unlisted; your catalogue has it as {card.record_id}"
        return _decided(claim, card, 0.0, sure, told, "", evidence={"record_id": card.record_id})
    if card.outcome.startswith("new_"):
        what, words = card.outcome.removeprefix("new_"), max(card.captions.values(), default=1.0)
        sure = {
            "pose": 1 - card.likeliest_pose[1],
            "crop": card.likeliest_pose[1] * (1 - card.likeliest_crop[1]),
            "caption": card.pose_and_crop * (1 - words),
            "mark": card.pose_and_crop * words * (1 - max(card.marks.values(), default=1.0)),
        }[what]
        return _decided(claim, card, sure, 0.0, "", f"its {what} is none that your catalogue knows", evidence={})
    return _open(claim, _why_open(card), card)


def _condition(claim: Claim, card: CardEvidence, known: CatalogueFacts) -> Judgement:
    return facts.condition(claim, card, known)


def _size(claim: Claim, card: CardEvidence, known: CatalogueFacts) -> Judgement:
    return facts.size(claim, card)


_OF_KIND: Mapping[str, Callable[[Claim, CardEvidence, CatalogueFacts], Judgement]] = {
    "subject": _subject, "caption": _caption, "club": _of_record, "issuer": _of_record, "series": _series,
    "year": _year, "unlisted": _unlisted, "condition": _condition, "size": _size,
}  # fmt: skip


def _split(probabilities: Mapping[str, float], chosen: Callable[[str], bool]) -> tuple[float, float]:
    """The probability of what is chosen, and of the rest."""
    yes = sum(p for name, p in probabilities.items() if chosen(name))
    no = sum(p for name, p in probabilities.items() if not chosen(name))
    return min(yes, 1.0), min(no, 1.0)


def _decided(
    claim: Claim, card: CardEvidence, yes: float, no: float, against: str, good: str, evidence: Mapping[str, Any]
) -> Judgement:
    given = {**evidence, "agrees": round(yes, 4), "contradicts": round(no, 4)}
    if yes >= SETTLED and yes >= no:
        return Judgement(claim, "agrees", round(yes, 4), good, card.where, given)
    if no >= CONTRADICTS_FROM and claim.unsure:
        return _open(claim, f"{claim.unsure}, so it may be somebody else; {against}", card, given)
    if no >= CONTRADICTS_FROM:
        return Judgement(claim, "contradicts", round(no, 4), against, card.where, given)
    if no >= 0.5 and against:
        return _open(claim, f"probably not, but not surely enough ({percent(no)}): {against}", card, given)
    if yes >= 0.5 and good:
        return _open(claim, f"probably, but not surely enough ({percent(yes)}): {good}", card, given)
    return _open(claim, _why_open(card), card, given)


def _why_open(card: CardEvidence) -> str:
    """Where identifying stopped; of an open answer in its own words. What is new is told by its kind: the words read on
    the card are no reason, and would be told again with every claim.
    """
    new = {
        "new_pose": "the picture is of none of the negatives in your catalogue",
        "new_crop": "the negative is known, this crop of it is not",
        "new_mark": "this issuer's mark is not known with these words",
        "new_caption": "these words are not known on this picture",
    }
    if card.outcome in new:
        return new[card.outcome]
    why = why_of(card.reasons)
    return f"the picture does not settle it: {why}" if why else "the picture does not settle it"


def _open(
    claim: Claim, reason: str, card: CardEvidence | None = None, evidence: Mapping[str, Any] | None = None
) -> Judgement:
    return Judgement(claim, "cannot be told", None, reason, card.where if card else "", evidence or {})


def _turned(claim: Claim, found: Judgement, card: CardEvidence) -> Judgement:
    """A denied claim agrees where the thing itself would contradict, and the other way round."""
    if not claim.negated or found.status == "cannot be told" or claim.kind in ("condition",):
        return found
    sure = found.confidence or 0.0
    if found.status == "contradicts":
        return replace(found, status="agrees", reason=f"the description says it is not so, and rightly: {found.reason}")
    if sure >= CONTRADICTS_FROM:
        return replace(found, status="contradicts", reason=f"the description says it is not so; {found.reason}")
    return _open(claim, f"the description says it is not so, but it may be: {found.reason}", card, found.evidence)


def _together(claim: Claim, each: Sequence[Judgement], cards: Sequence[CardEvidence]) -> Judgement:
    """Any card that agrees will do; a picture contradicts when all cards on it do."""
    good = [one for one in each if one.status == "agrees"]
    if good:
        return max(good, key=lambda one: one.confidence or 0.0)
    against: list[Judgement] = []
    for photo in dict.fromkeys(card.photo for card in cards):
        own = [one for one, card in zip(each, cards, strict=True) if card.photo == photo]
        if all(one.status == "contradicts" for one in own):
            against.append(min(own, key=lambda one: one.confidence or 0.0))
    if against:
        worst = max(against, key=lambda one: one.confidence or 0.0)
        more = len([card for card in cards if card.photo == worst.about.rpartition(",")[0]]) - 1
        return replace(worst, reason=f"{worst.reason}; nor do the other {more} on it fit") if more else worst
    told = next((one for one, card in zip(each, cards, strict=True) if card.resembles), each[0])
    mixed = [one for one in each if one.status == "contradicts"]
    if mixed:
        return _open(claim, f"{mixed[0].reason}; another card on the picture may be the one that is meant")
    return told


def _either(values: Sequence[str]) -> str:
    return " or ".join(values)
