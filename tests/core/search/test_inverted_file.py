"""The index beyond the size where every descriptor is compared: the change-over, coming and going, new cells."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from matcher.core.describe import Description, describe, fingerprint
from matcher.core.parallel.processes import one_thread
from matcher.core.search.descriptor_store import DescriptorStore, cells_for, coarsest
from matcher.core.search.reference_index import ReferenceIndex, synchronise
from matcher.core.search.settings import SearchSettings
from matcher.core.search.voting import Neighbours
from tests.support.faces import face_of, picture, window

IDS = (3, 8, 21, 22, 40)
EARLY = SearchSettings(exact_below=1000)
pytestmark = pytest.mark.usefixtures("single")


@pytest.fixture(scope="module")
def single() -> None:
    """As in every worker: threads that wait for each other cost more than they save on so little."""
    one_thread()


@pytest.fixture(scope="module")
def descriptions() -> dict[int, Description]:
    return {i: describe(face_of(picture(i), noise=2, seed=i)) for i in IDS}


@pytest.fixture(scope="module")
def query() -> Description:
    return describe(face_of(picture(8), window(1.1, 4, 5), contrast=0.4, noise=3, seed=77))


@pytest.fixture
def large(tmp_path: Path, descriptions: dict[int, Description]) -> ReferenceIndex:
    made = ReferenceIndex.open(tmp_path / "index", fingerprint(), EARLY)
    synchronise(made, IDS, descriptions.__getitem__)
    made.save()
    return made


def opened(index: ReferenceIndex) -> ReferenceIndex:
    return ReferenceIndex.open(index.folder, fingerprint(), EARLY)


def strangers(count: int, start: int = 1000) -> dict[int, Description]:
    rng = np.random.default_rng(start)
    return {
        start + i: Description(
            rng.integers(0, 256, 32, np.uint8), rng.uniform(20, 340, (40, 2)).astype(np.float32),
            np.zeros(40, np.float32), np.full(40, 31, np.float32), rng.integers(0, 256, (40, 32), np.uint8),
            fingerprint(),
        )
        for i in range(count)
    }  # fmt: skip


def first(index: ReferenceIndex, query: Description) -> int:
    return index.search(query)[0].reference_id


def test_it_changes_over_by_itself_and_keeps_ids_and_answers(
    tmp_path: Path, descriptions: dict[int, Description]
) -> None:
    index = ReferenceIndex(tmp_path, fingerprint(), EARLY)
    kinds = []
    for reference, description in descriptions.items():
        index.add(reference, description)
        kinds.append(index.kind)
    assert kinds == ["exact", "exact", *["inverted file"] * 3]
    assert index.reference_ids() == set(IDS)
    assert {first(index, descriptions[i]) for i in IDS} == set(IDS)


def test_saved_and_opened_again_it_answers_alike(large: ReferenceIndex, query: Description) -> None:
    again = opened(large)
    assert again.kind == "inverted file"
    assert again.search(query) == large.search(query)
    assert again.search(query)[0].reference_id == 8
    assert len(list(large.folder.iterdir())) == 4  # index.json and the three files that it names


def test_it_answers_as_the_exact_index_where_all_cells_are_looked_into(
    tmp_path: Path, descriptions: dict[int, Description]
) -> None:
    every = SearchSettings(kept=1000, asked=1000, probes=10_000, many_neighbours=24)
    exact = DescriptorStore(every)
    for reference, description in (descriptions | strangers(60)).items():
        exact.add(reference, description)
    in_cells = exact.in_cells()
    assert (exact.cells, in_cells.cells > 60, in_cells.rows) == (0, True, exact.rows)
    for description in descriptions.values():
        one, other = (store.neighbours(description).without_last_ties() for store in (exact, in_cells))
        assert np.array_equal(one.references, other.references)
        assert np.array_equal(one.rows[one.references >= 0], other.rows[one.references >= 0])
        assert np.array_equal(one.distances, other.distances)
    for reference in IDS:
        assert np.array_equal(exact.points_of([reference])[reference], in_cells.points_of([reference])[reference])


def test_coming_and_going(large: ReferenceIndex, descriptions: dict[int, Description]) -> None:
    large.remove(8)
    assert 8 not in large.reference_ids()
    assert 8 not in {hit.reference_id for hit in large.search(descriptions[8])}
    assert 8 not in [reference for reference, _ in large.nearest_hashes(descriptions[8].hashes, 10)]
    large.add(50, descriptions[8])
    large.add(8, descriptions[8])
    large.remove(50)
    large.remove(12345)  # never there: ignored
    with pytest.raises(ValueError, match="already"):
        large.add(8, descriptions[8])
    assert opened(large).reference_ids() == set(IDS), "nothing was saved yet"
    assert first(large, descriptions[8]) == 8
    large.remove(3, 21, 21)
    assert large.reference_ids() == {8, 22, 40}
    large.save()
    assert {first(opened(large), descriptions[i]) for i in (8, 22, 40)} == {8, 22, 40}


@pytest.mark.parametrize("more", [6, 400])
def test_an_index_that_has_grown_holds_what_was_there(
    large: ReferenceIndex, descriptions: dict[int, Description], query: Description, more: int
) -> None:
    """400 more: so many that new cells are trained."""
    cells = large.cells
    others = strangers(more, start=10 if more == 6 else 1000)
    large.remove(40)
    for reference, description in others.items():
        large.add(reference, description)
    before = large.search(query)
    large.save()
    again = opened(large)
    assert again.reference_ids() == ({3, 8, 21, 22} | set(others))
    assert (again.cells > cells) == (more == 400)
    assert again.search(query)[0].reference_id == before[0].reference_id == 8
    for reference, description in [*others.items(), (3, descriptions[3]), (22, descriptions[22])]:
        assert first(again, description) == reference


def test_a_serving_index_answers_while_another_is_written(large: ReferenceIndex, query: Description) -> None:
    serving = opened(large)
    before = serving.search(query)
    for reference, description in strangers(30).items():
        large.add(reference, description)
    large.save()
    assert serving.search(query) == before


@pytest.mark.parametrize("harm", ["descriptors", "hashes", "keypoints", "index.json"])
@pytest.mark.parametrize("how", ["overwritten", "cut off", "gone"])
def test_a_damaged_file_gives_an_empty_index_not_an_error(large: ReferenceIndex, harm: str, how: str) -> None:
    path = next(path for path in large.folder.iterdir() if path.name.startswith(harm))
    if how == "gone":
        path.unlink()
    else:
        path.write_bytes(b"damaged" if how == "overwritten" else path.read_bytes()[: path.stat().st_size // 2])
    assert len(opened(large)) == 0


def test_everything_removed_it_is_a_small_index_again(large: ReferenceIndex) -> None:
    large.remove(*IDS)
    large.save()
    assert opened(large).kind == "exact"


def test_files_of_an_earlier_version_go_and_a_persons_own_stay(large: ReferenceIndex) -> None:
    folder = large.folder / "lists-12-0123abcd"
    folder.mkdir()
    for name in ("lists.bin", "cells.faiss", "notes.txt"):
        (folder / name).write_text("mine")
    (large.folder / "recent-12-0123abcd.npz").write_text("old")
    large.save()
    assert [path.name for path in folder.iterdir()] == ["notes.txt"]
    assert not list(large.folder.glob("recent*"))


def test_cells_grow_with_the_root_of_the_rows() -> None:
    settings = SearchSettings()
    assert cells_for(4_000_000, settings) == 2 * cells_for(1_000_000, settings) == 4000
    assert (cells_for(100, settings), cells_for(10, settings)) == (64, 10)


def test_the_coarsest_features_are_kept_in_their_order(descriptions: dict[int, Description]) -> None:
    description = descriptions[3]
    kept = coarsest(description, 100)
    assert len(kept.descriptors) == len(kept.points) == 100
    assert kept.scales.min() >= np.sort(description.scales)[-101]
    rows = [
        next(k for k in range(len(description.points)) if np.array_equal(description.points[k], p)) for p in kept.points
    ]
    assert rows == sorted(rows)
    assert coarsest(description, 5000) is description


def test_neighbours_do_not_depend_on_the_order_in_which_they_were_found() -> None:
    rng = np.random.default_rng(9)
    distances = rng.integers(0, 12, (6, 40)).astype(np.int32)  # many ties, on purpose
    names, rows = np.tile(np.arange(40) // 4, (6, 1)), np.tile(np.arange(40) % 4, (6, 1))
    one = Neighbours.ordered(distances, names, rows)
    shuffled = rng.permutation(40)
    other = Neighbours.ordered(distances[:, shuffled], names[:, shuffled], rows[:, shuffled])
    for part in ("distances", "references", "rows"):
        assert np.array_equal(getattr(one, part), getattr(other, part))
    assert (np.diff(one.distances, axis=1) >= 0).all()
    # Ten of forty: those as far as the tenth may be others the next time, the rest may not.
    few = Neighbours(one.distances[:, :10], one.references[:, :10], one.rows[:, :10]).without_last_ties()
    assert ((few.references >= 0) == (few.distances < few.distances[:, -1:])).all()
