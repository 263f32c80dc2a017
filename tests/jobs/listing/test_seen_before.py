"""Seen before: one picture file cut, toned, compressed or mirrored anew is found; another photo is not called one."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from matcher.catalogue import Catalogue
from matcher.catalogue.finds import sightings
from matcher.catalogue.log.decisions import person
from matcher.catalogue.reference_set import CatalogueReferences
from matcher.core.answer_json import quad_of
from matcher.core.condition import condition
from matcher.core.detect.card_quad import CardQuad
from matcher.core.flatten import flatten
from matcher.core.identify import CardAnswer
from matcher.core.ladder.candidate import Confidence
from matcher.core.ladder.decision import Answer
from matcher.core.photo import Photo, read_photo
from matcher.core.settings import Settings
from matcher.jobs.listing.image_reuse import Framing, agreement_of, is_same_file
from matcher.jobs.listing.seen_before import LEAD, LEADING_FROM, SAME_CARD_FROM, SeenBefore, SeenBook, believed_from
from tests.support.cards import photo_answer

Pixels = NDArray[np.uint8]
CORNERS = np.array([[130, 90], [352, 80], [362, 470], [120, 480]], np.float32)


def scene(seed: int, view: int = 0) -> Pixels:
    """An invented card on an invented table, 600 x 480 BGR, with a camera's noise. view: from which side."""
    rng, own = np.random.default_rng(seed), np.random.default_rng([seed, view])
    table = cv2.resize(own.integers(30, 120, (150, 120, 3), dtype=np.uint8), (480, 600), interpolation=cv2.INTER_CUBIC)
    small = rng.integers(60, 220, (64, 36, 3), dtype=np.uint8)
    card = cv2.resize(small, (230, 400), interpolation=cv2.INTER_CUBIC)
    shape = np.array([[0, 0], [230, 0], [230, 400], [0, 400]], np.float32)
    place = cv2.getPerspectiveTransform(shape, corners(view))
    laid = cv2.warpPerspective(card, place, (480, 600))
    inside = cv2.warpPerspective(np.full((400, 230), 255, np.uint8), place, (480, 600))
    whole = np.where(inside[..., None] > 127, laid, table).astype(np.float32)
    return np.clip(whole + own.normal(0, 4, whole.shape), 0, 255).astype(np.uint8)


def corners(view: int) -> NDArray[np.float32]:
    """Each view sees the card from another side."""
    tilt = np.array([[0, 0], [0, 0], [-14, -10], [16, -12]], np.float32)
    return CORNERS + view * tilt + 3 * view


def compressed(pixels: Pixels, corners: NDArray[np.float32]) -> tuple[Pixels, NDArray[np.float32]]:
    small = cv2.resize(pixels, (384, 480), interpolation=cv2.INTER_AREA)
    done, data = cv2.imencode(".jpg", small, [cv2.IMWRITE_JPEG_QUALITY, 70])
    assert done
    return np.asarray(cv2.imdecode(data, cv2.IMREAD_COLOR), np.uint8), corners * np.float32(0.8)


def toned(pixels: Pixels, corners: NDArray[np.float32]) -> tuple[Pixels, NDArray[np.float32]]:
    values = (pixels / 255.0) ** 0.7 * np.array([0.85, 0.95, 1.0])
    return np.asarray(values * 255, np.uint8), corners


def cut(pixels: Pixels, corners: NDArray[np.float32]) -> tuple[Pixels, NDArray[np.float32]]:
    return np.ascontiguousarray(pixels[60:510, 90:400]), corners - np.array([90, 60], np.float32)


def mirrored(pixels: Pixels, corners: NDArray[np.float32]) -> tuple[Pixels, NDArray[np.float32]]:
    flipped = corners.copy()
    flipped[:, 0] = pixels.shape[1] - flipped[:, 0]
    return np.ascontiguousarray(pixels[:, ::-1]), flipped[[1, 0, 3, 2]]


def all_at_once(pixels: Pixels, corners: NDArray[np.float32]) -> tuple[Pixels, NDArray[np.float32]]:
    return compressed(*mirrored(*toned(*pad(*cut(pixels, corners)))))


def pad(pixels: Pixels, corners: NDArray[np.float32]) -> tuple[Pixels, NDArray[np.float32]]:
    """To the size that `compressed` expects."""
    factor = np.array([480 / pixels.shape[1], 600 / pixels.shape[0]], np.float32).min()
    size = (round(pixels.shape[1] * factor), round(pixels.shape[0] * factor))
    framed = np.zeros((600, 480, 3), np.uint8)
    framed[: size[1], : size[0]] = cv2.resize(pixels, size, interpolation=cv2.INTER_AREA)
    return framed, corners * factor


Change = Callable[[Pixels, NDArray[np.float32]], tuple[Pixels, NDArray[np.float32]]]
CHANGES: tuple[Change, ...] = (compressed, toned, cut, mirrored, all_at_once)


def framing(pixels: Pixels, corners: NDArray[np.float32]) -> Framing:
    return Framing(np.asarray(cv2.cvtColor(pixels, cv2.COLOR_BGR2GRAY), np.uint8), corners)


@pytest.mark.parametrize("change", CHANGES)
def test_one_file_is_known_again(change: Change) -> None:
    changed = framing(*change(scene(3), CORNERS))
    if change in (mirrored, all_at_once):
        changed = changed.mirrored()
    found = agreement_of(changed, framing(scene(3), CORNERS))
    assert is_same_file(found), found


def test_corners_that_are_a_little_off_do_not_matter() -> None:
    off = CORNERS + np.random.default_rng(1).normal(0, 1.5, CORNERS.shape).astype(np.float32)
    assert is_same_file(agreement_of(framing(scene(4), off), framing(scene(4), CORNERS)))


@pytest.mark.parametrize(("seed", "view"), [(3, 1), (3, 2), (5, 0), (5, 1)])
def test_a_new_photo_of_the_card_is_another_file(seed: int, view: int) -> None:
    """The same card from another side on another table; another card in the same place."""
    assert not is_same_file(agreement_of(framing(scene(seed, view), corners(view)), framing(scene(3), CORNERS)))


@pytest.fixture
def references(tmp_path: Path, stock: Path) -> Iterator[CatalogueReferences]:
    shutil.copytree(stock / "catalogue", tmp_path / "mine")
    with CatalogueReferences.open(tmp_path / "mine") as opened:
        yield opened


def looked_at(
    references: CatalogueReferences, pixels: Pixels, corners: NDArray[np.float32], path: Path
) -> list[SeenBefore]:
    assert cv2.imwrite(str(path), pixels)
    photo = read_photo(path)
    return SeenBook(references, Settings()).seen_before(photo, as_card(photo, corners))


def as_card(photo: Photo, corners: NDArray[np.float32]) -> CardAnswer:
    """The card as it would come from `identify`, of no known pose."""
    outline = CardQuad(corners, 1.0)
    face = flatten(photo, outline)
    return CardAnswer(outline, face, condition(face), Answer("new_pose", {}, Confidence(), (), ()))


def note(references: CatalogueReferences, folder: Path) -> None:
    """Note a photo of a scene as a sighting of V000."""
    path = folder / "seen.png"
    assert cv2.imwrite(str(path), scene(3))
    _, told = photo_answer(folder, 70, "known", pose="P000", record_id="V000")
    card = replace(told.cards[0], quad=quad_of(CORNERS.tolist()))
    answer = replace(told, photo="seen.png", sha256=read_photo(path).sha256, cards=(card,))
    with Catalogue.open(references.catalogue.folder) as catalogue:
        sightings.note_sightings(
            catalogue, answer, path.read_bytes(), person("Ada"), source="sale 7", seen_on="1999-05"
        )


@pytest.mark.parametrize("change", CHANGES)
def test_a_sighting_s_file_is_found_with_day_and_source(
    references: CatalogueReferences, tmp_path: Path, change: Change
) -> None:
    note(references, tmp_path)
    (found,) = looked_at(references, *change(scene(3), CORNERS), tmp_path / "now.png")
    assert (found.kind, found.where, found.record_id) == ("same file", "sighting", "V000")
    assert (found.seen_on, found.source, found.name) == ("1999-05", "sale 7", "seen.png")
    assert ("mirrored" in found.how) == (change in (mirrored, all_at_once))
    assert "1999-05" in found.words
    assert "sale 7" in found.words


def test_the_very_file_of_a_reference_is_found(references: CatalogueReferences, tmp_path: Path) -> None:
    known = references.catalogue.references()[0]
    photo = read_photo(references.catalogue.image_path(known))
    (found,) = SeenBook(references, Settings()).seen_before(photo, as_card(photo, np.array(known.quad, np.float32)))
    assert (found.kind, found.where, found.number, found.how) == ("same file", "reference", known.id, "unchanged")


def test_a_sighting_is_believed_sooner_where_its_hash_leads_all_others() -> None:
    assert believed_from([10, 10 + LEAD, 50]) == [LEADING_FROM, SAME_CARD_FROM, SAME_CARD_FROM]
    assert believed_from([10, 9 + LEAD, 50]) == [SAME_CARD_FROM] * 3
    assert believed_from([10]) == [SAME_CARD_FROM]  # with nothing beside it, it leads nobody
    assert believed_from([]) == []


def test_what_nobody_has_seen_is_not_seen_before(references: CatalogueReferences, tmp_path: Path) -> None:
    note(references, tmp_path)
    assert looked_at(references, scene(8), CORNERS, tmp_path / "now.png") == []


def test_the_book_takes_in_what_is_noted_and_keeps_its_hashes(references: CatalogueReferences, tmp_path: Path) -> None:
    book = SeenBook(references, Settings())
    path = tmp_path / "now.png"
    assert cv2.imwrite(str(path), scene(3))
    photo = read_photo(path)
    assert book.seen_before(photo, as_card(photo, CORNERS)) == []
    note(references, tmp_path)
    assert len(book.seen_before(photo, as_card(photo, CORNERS))) == 1
    (cache,) = (references.catalogue.folder / "seen").iterdir()
    cache.write_text("damaged")
    assert len(SeenBook(references, Settings()).seen_before(photo, as_card(photo, CORNERS))) == 1
