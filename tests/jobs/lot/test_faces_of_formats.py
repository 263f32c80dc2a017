"""Cards of every format in a lot keep the faces that they were answered with; what rests on an outline goes with it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest

from matcher.catalogue import Catalogue
from matcher.catalogue.records.files import encode_face
from matcher.catalogue.tables.models import outline_key
from matcher.core.answer import CardResult, PhotoAnswer
from matcher.core.detect.card_quad import CardQuad
from matcher.core.flatten import flatten
from matcher.core.formats import PRESETS, face_of, face_of_text, face_text, parse_format
from matcher.core.photo import read_photo
from matcher.core.settings import Settings
from matcher.core.versions import versions
from matcher.jobs.job import Job, JobResult
from matcher.jobs.lot import run as runs
from matcher.jobs.lot import store
from matcher.jobs.lot.cards import bare_cards
from matcher.jobs.lot.faces import mend_faces
from tests.support.cards import ADA, card
from tests.support.lots import akin


class OfFormats:
    """In place of `identify_all`: each scan is one card that fills it, of the format that its file's name tells."""

    def __call__(self, jobs: Sequence[Job], *_: Any) -> Iterator[JobResult]:
        for job in jobs:
            photo = read_photo(job.source)
            shown = card("new_pose", photo.width, photo.height)
            shown = replace(shown, face=replace(shown.face, format=Path(str(job.source)).stem))
            yield JobResult(PhotoAnswer(job.name, photo.sha256, photo.width, photo.height, None, (shown,), versions()))


@pytest.fixture
def lot(catalogue: Catalogue, tmp_path: Path) -> store.LotRow:
    """One card of each format."""
    folder = tmp_path / "box"
    folder.mkdir()
    for seed, name in enumerate((*PRESETS, "cabinet landscape", "50x70", "about 46.8312x63.5")):
        size = face_of_text(name)
        rng = np.random.default_rng(seed)
        pixels = cv2.resize(rng.integers(0, 255, (30, 30, 3), dtype=np.uint8), (size.width, size.height))
        (folder / f"{name}.png").write_bytes(cv2.imencode(".png", pixels)[1].tobytes())
    return runs.run(catalogue, [folder], ADA, Settings(), compare=False, identify=OfFormats()).lot


def test_a_face_has_its_cards_format_and_stays_as_it_was_kept(catalogue: Catalogue, lot: store.LotRow) -> None:
    """Every face that was no insert's was taken for damaged, and made anew in an insert's shape."""
    settings, faces = Settings(), store.faces_of(catalogue, lot.lot_id)
    kept = {}
    for one in bare_cards(catalogue, lot):
        path, size = one.face_path(faces), face_of_text(one.found.face.format)
        photo = read_photo(one.item.path)
        kept[path] = encode_face(flatten(photo, CardQuad(np.array(one.found.quad, np.float32), 1.0), size), path.name)
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(kept[path])
        one.item.path.rename(one.item.path.with_suffix(".away"))
    assert mend_faces(catalogue, lot, settings) == ()
    assert {path: path.read_bytes() for path in kept} == kept
    for one in bare_cards(catalogue, lot):
        one.item.path.with_suffix(".away").rename(one.item.path)
        one.face_path(faces).unlink()
    assert mend_faces(catalogue, lot, settings) == ()
    assert {path: path.read_bytes() for path in kept} == kept  # made anew, the same


def test_an_odd_cards_find_is_found_again(catalogue: Catalogue, lot: store.LotRow) -> None:
    """Its size is told to the digits that a format has, and a lot asked for more of them."""
    (odd,) = [one for one in bare_cards(catalogue, lot) if one.found.face.format.startswith("about")]
    as_enrolled = face_text(face_of_text(odd.found.face.format))
    assert odd.image[1] == outline_key(odd.found.quad, as_enrolled)
    assert as_enrolled == parse_format(as_enrolled).text != odd.found.face.format
    assert face_of_text(as_enrolled).aspect == pytest.approx(face_of(46.8312, 63.5).aspect, rel=1e-4)


def test_what_rests_on_another_outline_is_forgotten(catalogue: Catalogue, lot: store.LotRow) -> None:
    """Two cards stayed one and the same though one of them had been outlined anew since."""
    first, second, third, *_ = bare_cards(catalogue, lot)
    akin(catalogue, lot.lot_id, first.card, second.card)
    akin(catalogue, lot.lot_id, second.card, third.card)
    store.change_lot(catalogue, lot.lot_id, compared="before")
    answer = store.answers(catalogue, lot.lot_id)[first.item.content]
    moved: CardResult = replace(answer.cards[0], quad=((1.0, 1.0), (90.0, 1.0), (90.0, 99.0), (1.0, 99.0)))
    store.keep_answer(catalogue, first.item, "anew", replace(answer, cards=(moved,)))
    left = store.pairs(catalogue, lot.lot_id)
    assert [{pair.first, pair.second} for pair in left] == [{second.key, third.key}]
    assert store.lot(catalogue, lot.lot_id).compared == ""
