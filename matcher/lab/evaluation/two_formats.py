"""One negative on cards of two formats: is it the same pose, and is the crop told?

Negatives in, a table out. Each is enrolled on an insert; every second one on a cabinet as well, in another window. Both
cards of each are then photographed anew and asked for. A cabinet whose window the catalogue holds must be known; one
that it does not hold must be a new crop of its negative, and where its edges lie in it must be told.
"""

from __future__ import annotations

import csv
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from matcher.catalogue import Catalogue
from matcher.catalogue.records.enrol import enrol
from matcher.catalogue.reference_set import CatalogueReferences
from matcher.core.formats import PRESETS, CardFormat
from matcher.core.identify import CardAnswer, identify
from matcher.core.photo import read_photo
from matcher.core.settings import Settings
from matcher.lab.evaluation.negatives import Negative
from matcher.lab.synthesis import Age, Caption, Crop, Scene, make_copy, photograph, write_photo
from matcher.lab.synthesis.chance import random_crop
from matcher.lab.synthesis.printing import where_printed

INSERT, CABINET = PRESETS["insert"], PRESETS["cabinet"]
PX_PER_MM = 14.0
COLUMNS = ("record_id", "subject", "pose", "crop", "caption", "image", "format")
TOLERANCE = 0.02
"""Share of the card's height within which told edges must lie: hand-cut cards scatter by half of that."""


@dataclass(frozen=True)
class Printed:
    """One card of a negative: which format and which window, and whether the catalogue holds it."""

    negative: Negative
    number: int
    format: CardFormat
    crop: Crop
    name: str
    held: bool

    @property
    def pose(self) -> str:
        return f"P{self.number:04d}"

    @property
    def caption(self) -> Caption:
        return Caption(f"Sitter {self.number}")

    def photo(self, seed: int, contrast: float) -> bytes:
        """A photo of one copy of it."""
        rng = np.random.default_rng([seed, self.number, self.name == "B"])
        picture = self.negative.view(read_photo(self.negative.path).grey)
        card = make_copy(
            picture, self.crop, self.caption, Age(residual_contrast=contrast), seed=seed + self.number,
            plate=self.negative.plate, px_per_mm=PX_PER_MM, size=self.format.face,
        )  # fmt: skip
        surface = str(rng.choice(["wood", "cloth", "dark"]))
        scene = Scene(surface=surface, share=0.85, tilt=float(abs(rng.normal(0, 5))), rotation=float(rng.normal(0, 4)))  # type: ignore[arg-type]
        return write_photo(photograph(card, scene, rng), scene)


@dataclass(frozen=True)
class Asked:
    """One photo's answer, judged. told: the crop was named, or its edges lie where they should."""

    format: str
    held: bool
    found: bool
    right_pose: bool
    told: bool


def run(negatives: Sequence[Negative], output: Path, *, poses: int, seed: int) -> str:
    """Draw, enrol, ask, count; what was drawn stays in `output`."""
    output.mkdir(parents=True, exist_ok=True)
    cards = [card for number, one in enumerate(negatives[:poses]) for card in _printed(one, number, seed)]
    report = enrol(_table(cards, output, seed), output / "catalogue", workers=0)
    with Catalogue.open(output / "catalogue") as opened:
        references = CatalogueReferences.of(opened)
        asked = [_asked(card, cards, references, seed) for card in cards]
    lines = [f"{report.added} references enrolled, {len(report.failed)} not; {len(asked)} photos asked, seed {seed}"]
    for name, some in _groups(asked):
        found, pose, told = (
            100 * float(np.mean([getattr(one, what) for one in some])) for what in ("found", "right_pose", "told")
        )
        lines.append(
            f"{name:40} {len(some):4}   found {found:5.1f} %   right pose {pose:5.1f} %   crop told {told:5.1f} %"
        )
    return "\n".join(lines)


def _groups(asked: Sequence[Asked]) -> list[tuple[str, list[Asked]]]:
    cabinets = [one for one in asked if one.format == CABINET.name]
    return [
        ("inserts, enrolled", [one for one in asked if one.format == INSERT.name]),
        ("cabinets, enrolled", [one for one in cabinets if one.held]),
        ("cabinets, their negative on an insert", [one for one in cabinets if not one.held]),
        ("all", list(asked)),
    ]


def _printed(negative: Negative, number: int, seed: int) -> tuple[Printed, Printed]:
    rng = np.random.default_rng([seed, number, 5])
    crop = random_crop(rng)
    larger = Crop(0.5, 0.5, max(1.02, crop.zoom * float(rng.uniform(0.8, 0.95))))
    return (
        Printed(negative, number, INSERT, crop, "A", held=True),
        Printed(negative, number, CABINET, larger, "B", held=number % 2 == 1),
    )


def _table(cards: Sequence[Printed], output: Path, seed: int) -> Path:
    table = output / "records.csv"
    with table.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.writer(stream)
        writer.writerow(COLUMNS)
        for card in cards:
            if card.held:
                image = f"{card.pose}-{card.name}.jpg"
                (output / image).write_bytes(card.photo(seed + 1000, 0.9))
                row = (
                    f"V{card.number:04d}{card.name}",
                    f"Sitter {card.number}",
                    card.pose,
                    card.name,
                    card.caption.name,
                )
                writer.writerow((*row, image, card.format.text))
    return table


def _asked(card: Printed, cards: Sequence[Printed], references: CatalogueReferences, seed: int) -> Asked:
    photo = read_photo(card.photo(seed + 2000, 0.6))
    found = identify(photo, references, Settings(), references.calibration)
    answer = found.cards[0] if found.cards else None
    pose = answer.answer.established.get("pose") if answer else None
    told = answer is not None and pose == card.pose and _told(card, cards, answer)
    return Asked(card.format.name, card.held, answer is not None, pose == card.pose, told)


def _told(card: Printed, cards: Sequence[Printed], answer: CardAnswer) -> bool:
    if card.held:
        return answer.answer.established.get("crop") == card.name
    if answer.answer.outcome != "new_crop":
        return False
    measured = next((one for one in answer.answer.candidates if one.record.pose == card.pose and one.crop), None)
    if measured is None or measured.crop is None:
        return False
    known = next(one for one in cards if one.number == card.number and one.name == measured.record.crop)
    true, seen = _true_margins(card, known), measured.crop.window.on_card.margins_mm
    return float(np.abs(np.array(true) - np.array(seen)).max()) <= TOLERANCE * known.format.height_mm


def _true_margins(card: Printed, known: Printed) -> tuple[float, float, float, float]:
    """What the card shows more of the negative than the known one at left, top, right, bottom; mm on the known card."""
    shape = read_photo(card.negative.path).grey.shape
    to_negative = [
        where_printed(shape, one.crop, one.caption, None, px_per_mm=PX_PER_MM, size=one.format.face)
        for one in (card, known)
    ]
    width, height = card.format.face.width_mm, card.format.face.height_mm
    corners = np.array([[0, 0, 1], [width, height, 1]], np.float64)
    landed = corners @ (np.linalg.inv(to_negative[1]) @ to_negative[0]).T
    (left, top), (right, bottom) = landed[:, :2] / landed[:, 2:]
    larger, own = known.format.face.enlarged, known.format.face
    return (-left * larger, -top * larger, (right - own.width_mm) * larger, (bottom - own.height_mm) * larger)
