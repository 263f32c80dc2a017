"""What the demo holds, before anything is drawn: in: a seed; out: the records and the queries.

Which record exists depends on the cast alone; how copies were cut, how they aged and how they are
photographed depends on the seed.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from matcher.lab.synthesis import SURFACES, Age, Caption, Crop, Scene
from matcher.lab.synthesis.ageing import Tone
from matcher.lab.synthesis.lettering import ROMAN
from reference_demo.cast import (
    ENROLLED,
    LEFT_OUT_PLATES,
    LEFT_OUT_SITTERS,
    PLATES,
    SITTERS,
)
from reference_demo.issuers import Issuer, issuer_of

Kind = Literal["known", "new_crop", "new_caption", "new_pose", "unknown"]

OUTCOMES: dict[Kind, str] = {
    "known": "known",
    "new_crop": "new_crop",
    "new_caption": "new_caption",
    "new_pose": "new_pose",
    "unknown": "new_pose",
}
QUERIES: dict[Kind, int] = {"known": 38, "new_crop": 8, "new_caption": 10, "new_pose": 9, "unknown": 9}
SAME_COPY = 10
"""So many of the known queries show the very copy that a reference shows."""

REFERENCE_CONTRASTS = (1.0, 0.8, 0.5, 0.9, 0.35, 0.65, 0.25, 0.12, 0.8, 0.45, 0.18, 0.7)
QUERY_CONTRASTS = (0.8, 0.5, 0.3, 0.15)

_CAPTION_SETS = ((0, 1), (0, 2), (0, 1, 2), (0, 3), (0, 1, 2, 3))
"""Which of a picture's possible captions are enrolled; 0 is the usual one, see `_words`."""


@dataclass(frozen=True)
class Variation:
    """One picture with its words: plate, crop letter, caption number."""

    plate: str
    crop: str
    words: int

    @property
    def window(self) -> Crop:
        return _window(self.plate, self.crop)

    @property
    def name(self) -> str:
        return SITTERS[PLATES[self.plate].sitter].names[(0, 1, 0, 2)[self.words]]

    @property
    def club(self) -> str:
        return SITTERS[PLATES[self.plate].sitter].clubs[1 if self.words == 2 else 0]

    @property
    def caption(self) -> Caption:
        turn = list(PLATES).index(self.plate) + 2 * ord(self.crop)
        return self.issuer.caption(self.name, self.club, turn)

    @property
    def issuer(self) -> Issuer:
        return issuer_of(PLATES[self.plate].sitter)


@dataclass(frozen=True)
class Copy:
    """One physical card."""

    copy_id: str
    shows: Variation
    age: Age
    seed: int


@dataclass(frozen=True)
class Record:
    """One known variation, with the copies that its references show."""

    record_id: str
    shows: Variation
    year: int
    copies: tuple[Copy, ...]


@dataclass(frozen=True)
class Query:
    """One photo: which copy, how it is taken, what the right answer is."""

    photo: str
    kind: Kind
    record_id: str
    copy: Copy
    is_reference_copy: bool
    scene: Scene
    seed: int
    beside: Copy | None = None


@dataclass(frozen=True)
class Plan:
    records: tuple[Record, ...]
    queries: tuple[Query, ...]


def make_plan(seed: int) -> Plan:
    """All records and queries of the demo; the same seed gives the same plan."""
    rng = np.random.default_rng([seed, 11])
    records = tuple(_record(number, shows, rng) for number, shows in enumerate(_variations(), start=1))
    return Plan(records, _queries(records, np.random.default_rng([seed, 12])))


def _variations() -> list[Variation]:
    found: list[Variation] = []
    picture = 0
    for index, plate in enumerate(ENROLLED):
        for crop in _crops(index):
            captions = _CAPTION_SETS[picture % len(_CAPTION_SETS)] if index % 6 else (0, 1)
            found += [Variation(plate, crop, words) for words in captions]
            picture += 1
    return found


def _crops(index: int) -> str:
    """Every other pose in two or three crops."""
    return ("AB", "A", "ABC", "A")[index % 4]


def _window(plate: str, crop: str) -> Crop:
    """Crop A is nearly the whole negative; any two differ by 1.5 mm or more on some side."""
    index = list(PLATES).index(plate)
    aside = (-0.035, 0.0, 0.035)[index % 3]
    return {
        "A": Crop(0.5, 0.46, 1.0),
        "B": Crop(0.5 + aside, 0.37, (1.28, 1.34, 1.4)[index % 3]),
        "C": Crop(0.53, 0.52, 1.12),
        "D": Crop(0.45, 0.42, 1.18),
        "E": Crop(0.5 + aside, 0.33, 1.6),
    }[crop]


def _record(number: int, shows: Variation, rng: np.random.Generator) -> Record:
    contrast = REFERENCE_CONTRASTS[(number * 5) % len(REFERENCE_CONTRASTS)]
    copies = [_copy(f"K{number:05d}-1", shows, contrast, rng)]
    if number % 8 == 0:
        copies.append(_copy(f"K{number:05d}-2", shows, float(rng.uniform(0.3, 0.9)), rng))
    year = 1884 + (ord(PLATES[shows.plate].sitter) * 3 + shows.words) % 9
    return Record(f"V{number:05d}", shows, year, tuple(copies))


def _copy(copy_id: str, shows: Variation, contrast: float, rng: np.random.Generator) -> Copy:
    return Copy(copy_id, shows, _age(contrast, rng), int(rng.integers(1, 2**31)))


def _age(contrast: float, rng: np.random.Generator) -> Age:
    """Faded cards have mostly had a hard life in other ways too."""
    hardship = float(np.clip(rng.beta(2, 3) + 0.25 * (1 - contrast), 0.05, 1))
    trimmed = [0.0, 0.0, 0.0, 0.0]
    if rng.random() < 0.15:
        trimmed[int(rng.integers(0, 4))] = round(float(rng.uniform(0.4, 1.3)), 2)
    tones: tuple[Tone, ...] = ("sepia", "sepia", "sepia", "pink", "brown")
    return Age(
        residual_contrast=round(contrast, 3),
        unevenness=float(rng.uniform(0.1, 0.7)),
        foxing=int(rng.poisson(20 * hardship)),
        stains=int(rng.random() < 0.35 * hardship),
        scratches=int(rng.poisson(6 * hardship)),
        dirt=hardship,
        worn_corners=float(np.clip(hardship + rng.normal(0, 0.15), 0.05, 1)),
        crease=bool(rng.random() < 0.3 * hardship),
        pencil=bool(rng.random() < 0.08),
        trimmed_mm=(trimmed[0], trimmed[1], trimmed[2], trimmed[3]),
        tone=tones[int(rng.integers(0, len(tones)))],
    )


def _queries(records: tuple[Record, ...], rng: np.random.Generator) -> tuple[Query, ...]:
    """Kinds in a shuffled order, so that no kind goes with one kind of scene."""
    kinds = [kind for kind, count in QUERIES.items() for _ in range(count)]
    kinds = [kinds[k] for k in rng.permutation(len(kinds))]
    sources = _Sources(records, rng)
    return tuple(_query(number, kind, sources, records, rng) for number, kind in enumerate(kinds))


class _Sources:
    """Deals out what the queries of each kind show, each thing once before any comes again."""

    def __init__(self, records: tuple[Record, ...], rng: np.random.Generator) -> None:
        known = {record.shows for record in records}
        pictures = sorted({(shows.plate, shows.crop) for shows in known})
        new_captions = [
            Variation(plate, crop, words)
            for plate, crop in pictures
            for words in (1, 2, 3)
            if Variation(plate, crop, words) not in known
        ]
        unknown = [name for name, plate in PLATES.items() if plate.sitter in LEFT_OUT_SITTERS]
        self._decks: dict[Kind, list[Variation]] = {
            "known": _shuffled([record.shows for record in records], rng),
            "new_crop": _shuffled([Variation(p, c, 0) for p in ENROLLED for c in "DE"], rng),
            "new_caption": _shuffled(new_captions, rng),
            "new_pose": [Variation(p, c, 0) for c in "AB" for p in LEFT_OUT_PLATES],
            "unknown": [Variation(p, c, w) for c, w in (("A", 0), ("B", 1), ("C", 0)) for p in unknown],
        }
        self._dealt: dict[Kind, int] = dict.fromkeys(self._decks, 0)

    def deal(self, kind: Kind) -> tuple[Variation, int]:
        """What to show, and how many of this kind were dealt before."""
        before = self._dealt[kind]
        self._dealt[kind] = before + 1
        return self._decks[kind][before % len(self._decks[kind])], before


def _shuffled(items: list[Variation], rng: np.random.Generator) -> list[Variation]:
    return [items[k] for k in rng.permutation(len(items))]


def _query(number: int, kind: Kind, sources: _Sources, records: tuple[Record, ...], rng: np.random.Generator) -> Query:
    shows, before = sources.deal(kind)
    record = next((r for r in records if r.shows == shows), None)
    same = kind == "known" and before < SAME_COPY and record is not None
    # One contrast after the other within each kind, so that every kind meets every fade.
    contrast = QUERY_CONTRASTS[before % len(QUERY_CONTRASTS)] * float(rng.uniform(0.95, 1.05))
    copy = _copy(f"Q{number + 1:03d}", shows, contrast, rng)
    if same and record is not None:
        copy = record.copies[-1]
    beside = None
    if number % 9 == 7:
        other = records[int(rng.integers(0, len(records)))]
        beside = _copy(f"Q{number + 1:03d}-beside", other.shows, float(rng.uniform(0.3, 0.9)), rng)
    record_id = record.record_id if record is not None else ""
    scene, seed = _scene(number, rng), int(rng.integers(1, 2**31))
    return Query(f"queries/q{number + 1:03d}.jpg", kind, record_id, copy, same, scene, seed, beside)


def _scene(number: int, rng: np.random.Generator) -> Scene:
    """Surfaces, tags, props and sizes are dealt in turn; angles and light are drawn."""
    sizes = ((1536, 2048), (1200, 1600), (1440, 1920), (1600, 1200), (1512, 2016))
    width, height = (3024, 4032) if number % 7 == 3 else sizes[number % len(sizes)]
    large = width * height > 6e6
    share = float(rng.uniform(0.5, 0.93))
    room = 0.6 * (1 - share) / 2
    turned = float(rng.normal(0, 6)) if rng.random() < 0.85 else float(rng.uniform(-40, 40))
    return Scene(
        surface=SURFACES[number % len(SURFACES)],
        width=width,
        height=height,
        share=share,
        tilt=float(min(abs(rng.normal(0, 12)), 33)),
        tilt_towards=float(rng.uniform(0, 360)),
        rotation=turned,
        upside_down=number % 9 == 4,
        offset=(float(rng.uniform(-room, room)), float(rng.uniform(-room, room))),
        shadow=float(rng.uniform(0.3, 0.9)) if rng.random() < 0.4 else 0.1,
        glare=float(rng.uniform(0.5, 1.0)) if number % 5 == 1 else 0.0,
        sleeve=number % 5 == 2,
        thumb=int(rng.integers(0, 4)) if number % 8 == 5 else None,
        blur=float(rng.uniform(0.6, 1.3)) * (1.4 if large else 1.0),
        noise=float(rng.uniform(1.0, 4.0)),
        exposure=float(rng.normal(0, 0.25)),
        warmth=float(np.clip(rng.normal(0.1, 0.45), -1, 1)),
        distortion=float(rng.normal(0, 0.012)),
        orientation=number % 8 + 1 if number % 3 else 1,
        quality=int(rng.integers(78, 94)),
        font=ROMAN,
    )
