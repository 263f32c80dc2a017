"""Stage `index`: the right reference first, our own ids, a file that is only a cache."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from matcher.core.describe import Description, describe, fingerprint
from matcher.core.search.reference_index import ReferenceIndex, synchronise
from tests.support.faces import face_of, picture, window

IDS = (3, 8, 21, 22, 40)


@pytest.fixture(scope="module")
def descriptions() -> dict[int, Description]:
    return {i: describe(face_of(picture(i), noise=2, seed=i)) for i in IDS}


@pytest.fixture
def index(tmp_path: Path, descriptions: dict[int, Description]) -> ReferenceIndex:
    made = ReferenceIndex.open(tmp_path / "index", fingerprint())
    synchronise(made, IDS, descriptions.__getitem__)
    return made


@pytest.mark.parametrize("reference", IDS)
def test_the_same_negative_comes_first_faded_and_in_another_crop(index: ReferenceIndex, reference: int) -> None:
    query = describe(face_of(picture(reference), window(1.15, 5, 8), contrast=0.3, noise=3, seed=99))
    hits = index.search(query)
    assert hits[0].reference_id == reference
    assert hits[0].inliers > 2 * hits[1].inliers
    assert not hits[0].turned


def test_a_face_upside_down_is_recognised_as_such(index: ReferenceIndex) -> None:
    hit = index.search(describe(face_of(picture(8), noise=3, seed=5).half_turn()))[0]
    assert (hit.reference_id, hit.turned) == (8, True)


def test_removed_references_are_gone_and_others_keep_their_ids(index: ReferenceIndex, descriptions) -> None:  # type: ignore[no-untyped-def]
    index.remove(21)
    index.remove(12345)  # never there: ignored
    assert index.reference_ids() == {3, 8, 22, 40}
    assert 21 not in {hit.reference_id for hit in index.search(descriptions[21])}
    assert index.search(descriptions[22])[0].reference_id == 22
    index.add(21, descriptions[21])
    assert index.search(descriptions[21])[0].reference_id == 21


def test_saved_and_opened_again_it_answers_alike(index: ReferenceIndex, descriptions) -> None:  # type: ignore[no-untyped-def]
    index.save()
    again = ReferenceIndex.open(index.folder, fingerprint())
    assert again.search(descriptions[40]) == index.search(descriptions[40])
    again.save()
    assert len(list(index.folder.iterdir())) == 4  # index.json and the three files that it names


@pytest.mark.parametrize("harm", ["descriptors", "hashes", "keypoints", "index.json"])
def test_a_damaged_or_missing_file_gives_an_empty_index_not_an_error(index: ReferenceIndex, harm: str) -> None:
    index.save()
    next(path for path in index.folder.iterdir() if path.name.startswith(harm)).write_bytes(b"PK\x03\x04 damaged")
    assert len(ReferenceIndex.open(index.folder, fingerprint())) == 0


def test_another_fingerprint_is_not_mixed_in(index: ReferenceIndex, descriptions) -> None:  # type: ignore[no-untyped-def]
    index.save()
    other = ReferenceIndex.open(index.folder, "another")
    assert len(other) == 0
    with pytest.raises(ValueError, match="does not fit"):
        other.add(1, descriptions[3])
    with pytest.raises(ValueError, match="already"):
        index.add(3, descriptions[3])


def test_an_empty_index_finds_nothing(tmp_path: Path, descriptions) -> None:  # type: ignore[no-untyped-def]
    assert ReferenceIndex.open(tmp_path, fingerprint()).search(descriptions[3]) == ()


def test_two_tone_pictures_collide_on_hashes_and_do_no_harm(tmp_path: Path, descriptions) -> None:  # type: ignore[no-untyped-def]
    index = ReferenceIndex.open(tmp_path, fingerprint())
    synchronise(index, IDS, descriptions.__getitem__)
    blank = Description(
        np.zeros(32, np.uint8), np.empty((0, 2), np.float32), np.empty(0, np.float32), np.empty(0, np.float32),
        np.empty((0, 32), np.uint8), fingerprint(),
    )  # fmt: skip
    index.add(60, blank)
    index.add(61, blank)
    assert index.search(descriptions[22])[0].reference_id == 22


def test_files_of_a_persons_own_in_the_folder_are_left_alone(index: ReferenceIndex) -> None:
    index.folder.mkdir(parents=True)
    (index.folder / "notes.txt").write_text("mine")
    (index.folder / "scans").mkdir()
    index.save()
    index.save()
    assert (index.folder / "notes.txt").read_text() == "mine"
    assert (index.folder / "scans").is_dir()
