"""Claims that a measurement decides: condition words, size, number of cards. Facts beside the catalogue's own cards."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from matcher.core.detect.settings import DetectSettings
from matcher.core.formats import CardFormat, parse_format
from matcher.core.ladder.crop import trim_words
from matcher.core.outline_doubts import TRIMMED_MM
from matcher.jobs.listing.card_evidence import CardEvidence, CatalogueFacts
from matcher.jobs.listing.carriers import Claim, Judgement, Status

ENOUGH_REFERENCES = 10
"""With fewer references a share of them says nothing."""

FAINT_FROM, STRONG_FROM = 0.75, 0.6
"""Share of the references that are stronger (or fainter) than a card that is clearly faint (or strong)."""

HARDLY = 0.2
"""A share below which the opposite was claimed."""

CLEARLY = 2.5
"""Standard deviations beyond which a length differs."""

DOUBTFUL_OUTLINE = 4.0
"""The same for the proportions of a card that resembles no known one, whose outline nothing confirms; own choice."""

CUT = 0.02
"""One standard deviation of hand-cut cards' proportions, as a natural logarithm: the demo's 202 clean scans differ by
up to 0.039."""

SHAPES = DetectSettings()
"""How far cards of one format differ in shape and size, as where formats are told apart."""

OF_DAMAGE = {"creased": ("crease",), "stained": ("stain",)}
"""Kinds of damage, as `identify` names them, by the word of a listing; others are no kind of their own there."""

SURELY_NAMED = 0.75
"""Probability of a kind from which a listing that names it too is right; own choice."""

TRIM_SURE = 0.9
"""How sure a trim of a millimetre and more is that was measured beside a known card: of whole cards 0.7 % were called
trimmed, and of trimmed ones 97 % (RESULTS.md, 'Trimmed cards and windows'); set lower by hand."""

NOT_SHOWN = {
    "rebacked": "rebacking cannot be told from a front",
    "back damage": "the back cannot be told from a front",
    "stained": "stains are not measured: look at the picture",
    "creased": "creases are not measured: look at the picture under slanting light",
    "torn": "tears are not measured: look at the picture",
    "pinholes": "pinholes are not measured: look at the picture",
    "toned": "the paper's tone is not measured: a picture's colours are no measure of it",
    "scratched": "scratches are not measured: look at the picture",
}


def condition(claim: Claim, card: CardEvidence, known: CatalogueFacts) -> Judgement:
    """A word about the condition against what was measured on the face."""
    if claim.value in ("faded", "strong image"):
        return _contrast(claim, card, known)
    if claim.value == "trimmed":
        return _trimmed(claim, card)
    if claim.value in OF_DAMAGE:
        return _damaged(claim, card)
    return _told(claim, card, NOT_SHOWN.get(claim.value, f"{claim.value!r} is not measured: look at the picture"))


def _contrast(claim: Claim, card: CardEvidence, known: CatalogueFacts) -> Judgement:
    """Called faint or strong: the share of the catalogue's cards that are stronger, within the fact's own error."""
    value, sigma = card.face.residual_contrast, card.face.sigma.get("residual_contrast", 0.03)
    evidence = {"residual_contrast": value, "sigma": sigma, "references": len(known.contrasts)}
    if len(known.contrasts) < ENOUGH_REFERENCES:
        return _told(claim, card, "your catalogue has too few references to say how faint that is", evidence)
    fainter = known.fainter_than(value)
    surely_fainter, surely_stronger = known.fainter_than(value + 2 * sigma), 1 - known.fainter_than(value - 2 * sigma)
    evidence["fainter_than"] = round(fainter, 3)
    strong = (claim.value == "strong image") != claim.negated
    called = ("not " if claim.negated else "") + claim.value
    told = f"called {called}; it is fainter than {100 * fainter:.0f} % of your references"
    against = surely_fainter >= FAINT_FROM if strong else surely_stronger >= 1 - HARDLY / 2
    fits = 1 - fainter >= STRONG_FROM if strong else fainter >= 1 - STRONG_FROM
    sure = _beyond(abs(fainter - 0.5), 0.5)
    if against:
        return _told(claim, card, told, evidence, "contradicts", max(sure, 0.9))
    if fits:
        return _told(claim, card, told, evidence, "agrees", sure)
    return _told(claim, card, f"{told}: neither clearly so nor clearly not", evidence)


def _beyond(amount: float, whole: float) -> float:
    """From 0.75 at no distance from the middle to 1 at the end of the scale."""
    return round(0.75 + 0.25 * min(1.0, amount / whole), 3)


def _damaged(claim: Claim, card: CardEvidence) -> Judgement:
    """What is seen upon the card beside the known one of the same picture; that nothing is seen there says nothing."""
    kinds = OF_DAMAGE[claim.value]
    surest = max((one for one in card.damage if one.kind in kinds), key=lambda one: one.probability, default=None)
    if surest is None:
        return _told(claim, card, NOT_SHOWN[claim.value])
    told = f"beside the known card a {surest.kind} is seen at the {surest.place}"
    evidence = {"damage": surest.kind, "place": surest.place, "probability": round(surest.probability, 3)}
    if claim.negated or surest.probability < SURELY_NAMED:
        return _told(claim, card, f"{told}, as far as its shape tells: look there", evidence)
    return _told(claim, card, told, evidence, "agrees", surest.probability)


def _trimmed(claim: Claim, card: CardEvidence) -> Judgement:
    off, sigma = card.face.off_size_mm, card.face.sigma.get("size_mm", 0.3)
    if off:
        least = min(off)
        evidence = {"off_size_mm": list(off), "sigma_mm": sigma}
        told = f"the scan gives {off[0]:+.1f} x {off[1]:+.1f} mm against the usual size (± {sigma:.1f} mm)"
        small = _below((-TRIMMED_MM - least) / sigma)
        if small >= 0.75 or small <= 0.1:
            agrees = (small >= 0.75) != claim.negated
            sure = small if small >= 0.75 else 1 - small
            if agrees or sure >= 0.9:
                return _told(claim, card, told, evidence, "agrees" if agrees else "contradicts", sure)
        return _told(claim, card, f"{told}: too little to call it trimmed or not", evidence)
    if card.trims_mm and max(card.trims_mm) >= TRIMMED_MM:
        told = f"beside the known card of this picture, {trim_words((card.trims_mm, (0.0,) * 4))}"
        evidence = {"trimmed_mm": list(card.trims_mm)}
        return _told(claim, card, told, evidence, "contradicts" if claim.negated else "agrees", TRIM_SURE)
    aspect, spread = card.face.off_nominal, card.face.sigma.get("off_nominal", 0.05)
    if aspect is None:
        return _told(claim, card, "its size cannot be told from a picture without a scale")
    evidence = {"off_nominal": aspect, "sigma": spread}
    told = f"its proportions differ by {100 * aspect:+.1f} % (± {100 * spread:.1f} %) from the usual card's"
    if not claim.negated and abs(aspect) > max(CLEARLY * spread, 0.05):
        return _told(claim, card, told, evidence, "agrees", _below(abs(aspect) / spread - 1))
    return _told(claim, card, f"{told}; without a scale that does not show whether it was trimmed", evidence)


def size(claim: Claim, card: CardEvidence) -> Judgement:
    """A stated size or named format against the measured size, or, without a scale, against the proportions."""
    named = parse_format(claim.value) if not claim.numbers else None
    stated = _Stated(named.width_mm, named.height_mm, named) if named else _Stated(
        claim.numbers["width_mm"], claim.numbers["height_mm"]
    )  # fmt: skip
    if card.face.size_mm:
        return _measured_size(claim, card, stated, card.face.size_mm)
    if card.face.aspect is None:
        return _told(claim, card, "its size cannot be told from a picture without a scale")
    return _proportions(claim, card, stated, card.face.aspect)


@dataclass(frozen=True)
class _Stated:
    """The size that a listing states, in mm. named: the format whose name it says, None where it gives figures."""

    width_mm: float
    height_mm: float
    named: CardFormat | None = None

    @property
    def slenderness(self) -> float:
        """Shorter over longer side: a listing seldom says which way up it counts."""
        return min(self.width_mm, self.height_mm) / max(self.width_mm, self.height_mm)

    def off_mm(self, size_mm: tuple[float, float]) -> float:
        """The most by which a side differs."""
        sides = zip(sorted(size_mm), sorted((self.width_mm, self.height_mm)), strict=True)
        return max(abs(one - other) for one, other in sides)

    def fits(self, size_mm: tuple[float, float]) -> bool:
        """Whether a card of that size may have the named format, as where formats are told apart on a scan."""
        sides = zip(sorted(size_mm), sorted((self.width_mm, self.height_mm)), strict=True)
        return all(abs(math.log(one / other)) <= SHAPES.scanned for one, other in sides)


def _measured_size(claim: Claim, card: CardEvidence, stated: _Stated, size_mm: tuple[float, float]) -> Judgement:
    sigma = card.face.sigma.get("size_mm", 0.3)
    told = f"the scan gives {size_mm[0]:.1f} x {size_mm[1]:.1f} mm (± {sigma:.1f} mm)"
    evidence: dict[str, Any] = {"size_mm": list(size_mm), "sigma_mm": sigma}
    if stated.named:
        usual = f"{stated.named.text} is {stated.width_mm:g} x {stated.height_mm:g} mm"
        fits = stated.fits(size_mm)
        return _told(claim, card, f"{told}, {usual}", evidence, "agrees" if fits else "contradicts", 0.95)
    # People measure to a sixteenth of an inch at best.
    off = stated.off_mm(size_mm) / math.hypot(sigma, 0.8)
    if off <= 2:
        return _told(claim, card, told, evidence, "agrees", 0.95)
    if off >= 3.5:
        return _told(claim, card, f"{told}, not {claim.value}", evidence, "contradicts", _below(off - 1))
    return _told(claim, card, told, evidence)


def _proportions(claim: Claim, card: CardEvidence, stated: _Stated, aspect: float) -> Judgement:
    """Without a scale: a shape that no card of the stated size has contradicts, the right shape proves no size."""
    shown, spread = min(aspect, 1 / aspect), card.face.sigma.get("off_nominal", 0.05)
    away = abs(math.log(shown / stated.slenderness))
    surely = away / math.hypot(spread, CUT)
    which = f"{stated.named.text} is" if stated.named else "stated is"
    told = (
        f"without a scale only proportions can be told: 1 to {1 / shown:.2f}, {which} 1 to {1 / stated.slenderness:.2f}"
    )
    evidence = {"aspect": round(aspect, 4), "sigma": spread}
    if away > SHAPES.shape and surely >= (CLEARLY if card.resembles else DOUBTFUL_OUTLINE):
        return _told(claim, card, told, evidence, "contradicts", _below(surely - 1))
    return _told(claim, card, told, evidence)


def count(claim: Claim, cards: Sequence[CardEvidence]) -> Judgement:
    """The number of cards for sale against the most that one picture shows, and all pictures together."""
    wanted = int(claim.numbers["cards"])
    photos: dict[str, list[CardEvidence]] = {}
    for card in cards:
        photos.setdefault(card.photo, []).append(card)
    most = max((len(own) for own in photos.values()), default=0)
    surely = max((sum(card.resembles for card in own) for own in photos.values()), default=0)
    evidence = {"most_on_one": most, "on_all": len(cards), "recognised_on_one": surely}
    if not cards:
        return _told(claim, None, "the pictures show no card")
    told = f"the picture shows {most}" if len(photos) == 1 else f"at most {most} on one picture, {len(cards)} on all"
    if wanted == most or (len(photos) > 1 and most < wanted <= len(cards)):
        return _told(claim, None, told, evidence, "agrees" if not claim.negated else "contradicts", 0.95)
    if surely > wanted and not claim.negated:
        return _told(claim, None, f"{told}, more than stated", evidence, "contradicts", 0.95)
    if len(cards) < wanted and not claim.negated:
        return _told(claim, None, f"{told}, fewer than stated", evidence, "contradicts", 0.9)
    return _told(claim, None, told, evidence)


def _below(z: float) -> float:
    """The normal distribution function, at most 0.99."""
    return round(min(0.99, 0.5 * (1 + math.erf(z / math.sqrt(2)))), 3)


def _told(
    claim: Claim,
    card: CardEvidence | None,
    reason: str,
    evidence: Mapping[str, Any] | None = None,
    status: Status = "cannot be told",
    sure: float | None = None,
) -> Judgement:
    return Judgement(claim, status, sure, reason, card.where if card else "", evidence or {})
