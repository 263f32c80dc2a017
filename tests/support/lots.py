"""Lots of small invented scans, and quick answers about them in place of the stages."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from matcher.catalogue import Catalogue
from matcher.catalogue.log.decisions import person
from matcher.core.answer import AnswerError, CardResult, PhotoAnswer
from matcher.core.ladder.decision import Outcome
from matcher.core.settings import FaceSize, Settings
from matcher.core.versions import versions
from matcher.jobs.job import Job, JobResult
from matcher.jobs.lot import run as runs
from matcher.jobs.lot import store
from matcher.jobs.lot.pictures import SaveFaces, face_file
from matcher.jobs.lot.run import Done
from matcher.jobs.lot.store import PairRow
from tests.support.cards import card

ADA = person("Ada Quill")


def draw_scan(path: Path, seed: int) -> Path:
    """A picture of 276 x 480 pixels, different for each seed."""
    path.parent.mkdir(parents=True, exist_ok=True)
    rng = np.random.default_rng(seed)
    pixels = cv2.resize(rng.integers(0, 255, (48, 28, 3), dtype=np.uint8), (276, 480), interpolation=cv2.INTER_CUBIC)
    path.write_bytes(cv2.imencode(".png", pixels)[1].tobytes())
    return path


def found(outcome: Outcome, **known: Any) -> CardResult:
    """A card that fills its scan."""
    return card(outcome, 276, 480, **known)


class Quick:
    """In place of `identify_all`: answers by file name, counts what it is asked, and can be stopped half-way."""

    def __init__(self, cards: Mapping[str, Sequence[CardResult]], stop_after: int | None = None) -> None:
        self.cards = cards
        self.asked: list[str] = []
        self.stop_after = stop_after
        self.before: Callable[[Job], None] = lambda job: None

    def __call__(
        self, jobs: Sequence[Job], folder: Path, settings: Settings, workers: int | None = None
    ) -> Iterator[JobResult]:
        for job in jobs:
            if self.stop_after is not None and len(self.asked) >= self.stop_after:
                raise KeyboardInterrupt
            assert isinstance(job.source, Path)
            self.before(job)
            self.asked.append(job.source.name)
            yield JobResult(self._answer(job, job.source))

    def _answer(self, job: Job, path: Path) -> PhotoAnswer:
        try:
            data = path.read_bytes()
        except OSError as error:
            return self._told(job, None, "missing_file", f"{path}: {error.strerror}")
        digest = hashlib.sha256(data).hexdigest()
        cards = tuple(self.cards.get(path.name, ()))
        if not cards:
            return self._told(job, digest, "no_card", f"{path.name}: no card")
        for step in job.steps:
            if isinstance(step, SaveFaces):
                _write_faces(step.folder, digest, len(cards))
        return PhotoAnswer(job.name, digest, 276, 480, None, cards, versions())

    def _told(self, job: Job, digest: str | None, code: str, message: str) -> PhotoAnswer:
        return PhotoAnswer(job.name, digest, 276, 480, AnswerError(code, message), (), versions())


def _write_faces(folder: Path, digest: str, count: int) -> None:
    """Grey faces, of another grey for each photo."""
    size = FaceSize()
    grey = np.full((size.height, size.width, 3), int(digest[:2], 16), np.uint8)
    for number in range(1, count + 1):
        target = face_file(folder, digest, number)
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_bytes(cv2.imencode(".jpg", grey)[1].tobytes())


def tag(catalogue: Catalogue, folder: Path, quick: Quick, **more: Any) -> Done:
    """Run a lot without worker processes."""
    return runs.run(catalogue, [folder], ADA, Settings(), identify=quick, compare=False, **more)


def akin(catalogue: Catalogue, lot_id: str, one: str, other: str, **rungs: float | None) -> None:
    """Say how two cards agree, as `kin` would have found it; by card."""
    from matcher.jobs.lot.cards import bare_cards

    keys = {card.card: card.key for card in bare_cards(catalogue, store.lot(catalogue, lot_id))}
    first, second = sorted((keys[one], keys[other]))
    sure = {"pose": 0.99, "crop": 0.98, "caption": 0.97, "copy": 0.01, **rungs}
    store.keep_pairs(catalogue, lot_id, [PairRow(first, second, **sure)])
