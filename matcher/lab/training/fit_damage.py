"""Fit by which a damaged spot is named and laid to a card (`core.ladder.damage`), and tell how often it is named right.

    scripts/fit_damage FOLDER... --manifest FILE... [--output matcher/core/nets/weights/damage.json]
    scripts/fit_damage FOLDER... --manifest FILE... --role report --hand other

With --output coefficients are fitted on pictures listed to fit, hurt by the code that draws wear for training
(`synthesis.wear`); without it the shipped ones are told on pictures listed for --role, hurt by that hand or by another
one (`evaluation.other_wear`).
"""

from __future__ import annotations

import argparse
import json
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from matcher.core.calibration import RungModel
from matcher.core.errors import BadTable
from matcher.core.ladder.damage import NOTHING, DamageModels, damage_models, name_spot
from matcher.lab.manifests import add_option, stored
from matcher.lab.training.damage_pairs import HANDS, NAMED, VISIBLE_CELLS, FoundSpot, HurtCard, hurt_cards
from matcher.lab.training.fit_pose import chosen_pictures
from matcher.lab.training.fitting import Rows, fit, rung_json

STRENGTH = 0.1
"""Inverse regularisation, as of `fitting.STRENGTH`; there are few spots of a kind."""


def fitted(cards: Sequence[HurtCard]) -> DamageModels:
    """The coefficients of these cards' spots: of the side a mirrored model, of the kinds a multinomial one."""
    spots = [(card, spot) for card in cards for spot in card.spots]
    sides = [(card, spot) for card, spot in spots if spot.true]
    names = tuple(sides[0][1].sides)
    values = np.array([[spot.sides[name] for name in names] for _, spot in sides])
    truth = np.array([card.side == "query" for card, _ in sides])
    side = fit(Rows(names, values, truth, ("",) * len(sides)), mirrored=True)
    return DamageModels(side, _kinds([(_bearing(card, spot, side), _truth(card, spot)) for card, spot in spots]))


def _bearing(card: HurtCard, spot: FoundSpot, side: RungModel) -> dict[str, float]:
    """The spot's features on the card that bears it; of what is nothing, on the one that would be said to."""
    likely = "query" if side.logit(spot.sides) >= 0 else "reference"
    return spot.on[card.side if spot.true else likely]  # type: ignore[index]


def _truth(card: HurtCard, spot: FoundSpot) -> str:
    return NAMED[card.kind] if spot.true and card.kind else NOTHING


def _kinds(rows: Sequence[tuple[dict[str, float], str]]) -> dict[str, RungModel]:
    from sklearn.linear_model import LogisticRegression

    names = tuple(rows[0][0])
    values = np.array([[features[name] for name in names] for features, _ in rows])
    truth = np.array([kind for _, kind in rows])
    centres, scales = values.mean(axis=0), np.maximum(values.std(axis=0), 1e-3)
    standard = np.clip((values - centres) / scales, -4, 4)
    model = LogisticRegression(C=STRENGTH, max_iter=4000).fit(standard, truth)
    return {
        str(kind): RungModel(names, _rounded(centres), _rounded(scales), _rounded(weights), round(float(bias), 5))
        for kind, weights, bias in zip(model.classes_, model.coef_, model.intercept_, strict=True)
    }


def _rounded(values: NDArray[np.float64]) -> tuple[float, ...]:
    return tuple(round(float(value), 5) for value in values)


@dataclass(frozen=True)
class NamedCard:
    """What was said of one hurt card: the kind and the card of its largest finding, "" where there is none."""

    card: HurtCard
    kind: str
    side: str

    @property
    def right(self) -> bool:
        return self.kind == NAMED.get(self.card.kind, "")


def named(card: HurtCard, models: DamageModels) -> NamedCard:
    """As `find_damage` names it."""
    for spot in card.spots:
        if said := name_spot(spot.sides, spot.on, models):
            return NamedCard(card, said[0], said[2])
    return NamedCard(card, "", "")


def told(cards: Sequence[HurtCard], models: DamageModels) -> Iterator[str]:
    """How often damage that can be seen is named right, by its kind as drawn; and how often a whole card is hurt."""
    said = [named(card, models) for card in cards]
    seen = [one for one in said if one.card.kind and one.card.visible >= VISIBLE_CELLS]
    for only, least in (("any contrast", 0.0), ("30 % and more", 0.3), ("50 % and more", 0.5)):
        asked = [one for one in seen if NAMED[one.card.kind] != "stain" and one.card.contrast >= least]
        found = [one for one in asked if one.kind]
        sure = [one for one in found if one.kind != "unclear"]
        borne = [one for one in found if one.side != "either"]
        yield (
            f"{only}: {len(asked)} creases, losses, stickers, writings: something told of {_share(found, asked)}, its "
            f"kind of {_share(sure, asked)}, of these right {_share([one for one in sure if one.right], sure)}; on "
            f"which card told of {_share(borne, found)}, of these right "
            f"{_share([one for one in borne if one.side == one.card.side], borne)}"
        )
    for kind in sorted({one.card.kind for one in seen}, key=lambda name: (NAMED[name], name)):
        own = [one for one in seen if one.card.kind == kind]
        counts = Counter(one.kind or "-" for one in own)
        yield f"  {NAMED[kind]:8} {kind:14} {len(own):4}: " + ", ".join(f"{k} {n}" for k, n in counts.most_common())
    whole = [one for one in said if not one.card.kind]
    yield f"whole cards called damaged: {_share([one for one in whole if one.kind], whole)} of {len(whole)}"


def _share(some: Sequence[object], of: Sequence[object]) -> str:
    return f"{100 * len(some) / max(len(of), 1):.1f} %"


def as_json(models: DamageModels, provenance: dict[str, object]) -> dict[str, Any]:
    kinds = {kind: rung_json(model) for kind, model in models.kinds.items()}
    return {"provenance": provenance, "side": rung_json(models.side), "kinds": kinds}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folders", type=Path, nargs="+")
    add_option(parser)
    parser.add_argument("--role", choices=["fit", "report"], default="fit")
    parser.add_argument("--hand", choices=sorted(HANDS), default="own", help="who draws the damage")
    parser.add_argument("--most", type=int, default=22, help="pictures taken of each folder")
    parser.add_argument("--seed", type=int, default=7)
    parser.add_argument("--output", type=Path, help="where to write coefficients; only tell if not given")
    chosen = parser.parse_args()
    if chosen.output and (chosen.role, chosen.hand) != ("fit", "own"):
        parser.error("coefficients are fitted on pictures listed to fit and the own hand: leave --output out")
    try:
        taken = chosen_pictures(chosen.role, chosen.folders, chosen.manifest, chosen.most, chosen.seed)
    except BadTable as error:
        parser.error(str(error))
    cards = hurt_cards([one.path for one in taken], chosen.hand, chosen.seed)
    models = fitted(cards) if chosen.output else damage_models()
    if chosen.output:
        made = date.today().isoformat()
        about = {"made": made, "cards": len(cards), "seed": chosen.seed, "manifests": stored(taken)}
        chosen.output.write_text(json.dumps(as_json(models, about), indent=1) + "\n")
    print("\n".join(told(cards, models)))


if __name__ == "__main__":
    main()
