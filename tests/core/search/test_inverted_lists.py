"""The index beyond the size where every descriptor is compared: the change-over, coming and going, rebuilding."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pytest

from matcher.catalogue import Catalogue
from matcher.catalogue.records.enrol import update_index
from matcher.catalogue.reference_set import CatalogueReferences
from matcher.core.describe import Description, describe, fingerprint
from matcher.core.parallel.processes import one_thread
from matcher.core.search import reference_index as index_module
from matcher.core.search.inverted_lists import (
    cells_for,
    empty_lists,
    list_of,
    map_lists,
    nearest_cell,
    put,
    train_cells,
    write_lists,
)
from matcher.core.search.reference_index import ReferenceIndex, synchronise
from matcher.core.search.selection import coarsest
from matcher.core.search.voting import Neighbours
from tests.support.faces import face_of, picture, window

IDS = (3, 8, 21, 22, 40)
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
def large(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, descriptions: dict[int, Description]) -> ReferenceIndex:
    monkeypatch.setattr(index_module, "EXACT_BELOW", 1000)
    made = ReferenceIndex.open(tmp_path / "index", fingerprint())
    synchronise(made, IDS, descriptions.__getitem__)
    made.save()
    return made


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
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, descriptions: dict[int, Description]
) -> None:
    monkeypatch.setattr(index_module, "EXACT_BELOW", 1000)
    index = ReferenceIndex(tmp_path, fingerprint())
    kinds = []
    for reference, text in descriptions.items():
        index.add(reference, text)
        kinds.append(index.kind)
    assert kinds == ["exact", "exact", *["inverted lists"] * 3]
    assert index.reference_ids() == set(IDS)
    assert {first(index, descriptions[i]) for i in IDS} == set(IDS)


def test_saved_and_opened_again_it_answers_alike(large: ReferenceIndex, query: Description) -> None:
    opened = ReferenceIndex.open(large.folder, fingerprint())
    assert opened.kind == "inverted lists"
    assert opened.search(query) == large.search(query)
    assert opened.search(query)[0].reference_id == 8


def test_coming_and_going_need_no_rebuild(large: ReferenceIndex, descriptions: dict[int, Description]) -> None:
    lists = [path for path in large.folder.iterdir() if path.is_dir()]
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
    opened = ReferenceIndex.open(large.folder, fingerprint())
    assert opened.reference_ids() == set(IDS), "nothing was saved yet"
    assert first(large, descriptions[8]) == 8
    assert [path for path in large.folder.iterdir() if path.is_dir()] == lists


def test_what_came_and_went_is_saved_beside_the_lists(
    large: ReferenceIndex, descriptions: dict[int, Description], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(index_module, "MOST_DEAD", 0.5)
    before = {path.name for path in large.folder.iterdir() if path.is_dir()}
    large.remove(21)
    large.add(60, descriptions[21])
    large.save()
    assert {path.name for path in large.folder.iterdir() if path.is_dir()} == before
    opened = ReferenceIndex.open(large.folder, fingerprint())
    assert opened.reference_ids() == {3, 8, 22, 40, 60}
    assert first(opened, descriptions[21]) == 60


@pytest.mark.parametrize("more", [6, 400])
def test_rewritten_lists_hold_what_was_there(
    large: ReferenceIndex, descriptions: dict[int, Description], query: Description,
    monkeypatch: pytest.MonkeyPatch, more: int,
) -> None:  # fmt: skip
    """400 more: so many that new cells are trained too."""
    monkeypatch.setattr(index_module, "FEW", 2)
    cells = large.cells.ntotal
    others = strangers(more, start=10 if more == 6 else 1000)
    large.remove(40)
    for reference, text in others.items():
        large.add(reference, text)
    before = large.search(query)
    large.save()
    opened = ReferenceIndex.open(large.folder, fingerprint())
    assert opened.reference_ids() == ({3, 8, 21, 22} | set(others))
    assert (opened.cells.ntotal > cells) == (more == 400)
    assert opened.search(query)[0].reference_id == before[0].reference_id == 8
    for reference, text in [*others.items(), (3, descriptions[3]), (22, descriptions[22])]:
        assert first(opened, text) == reference
    points = opened.points_of([3])[3]
    assert np.array_equal(points, coarsest(descriptions[3], 128).points)
    assert sum(path.is_dir() for path in large.folder.iterdir()) == 1, "old lists go"


def test_a_serving_index_answers_while_another_rewrites_the_lists_and_changes_over_in_one_step(
    large: ReferenceIndex, descriptions: dict[int, Description], query: Description, monkeypatch: pytest.MonkeyPatch
) -> None:
    serving = ReferenceIndex.open(large.folder, fingerprint())
    assert serving.renewed() is None
    monkeypatch.setattr(index_module, "FEW", 2)
    before = serving.search(query)
    for reference, text in strangers(30).items():
        large.add(reference, text)
    large.save()
    assert serving.search(query) == before, "its files are gone from the folder, not from under it"
    renewed = serving.renewed()
    assert renewed is not None
    assert len(renewed) == 35
    assert renewed.search(query)[0].reference_id == 8
    assert renewed.renewed() is None


def test_an_open_shelf_takes_in_lists_that_were_written_anew(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(index_module, "EXACT_BELOW", 10)

    def rewrite() -> None:
        shutil.rmtree(folder / "index")
        with Catalogue.open(folder) as catalogue, catalogue.writing():
            update_index(catalogue)

    rewrite()
    with CatalogueReferences.open(folder) as references:
        assert references.index.kind == "inverted lists"
        before, held = references.index, references.index.reference_ids()
        references.refresh()
        assert references.index is before
        rewrite()
        references.refresh()
        assert references.index is not before
        assert references.index.reference_ids() == held
        reference = min(held)
        assert first(references.index, references.description(reference)) == reference


@pytest.mark.parametrize(
    "harm", ["lists.bin", "cells.faiss", "sizes.npy", "starts.npy", "points.npy", "hashes.npy", "recent", "removed"]
)
def test_a_damaged_file_gives_an_empty_index_not_an_error(large: ReferenceIndex, harm: str) -> None:
    next(path for path in large.folder.rglob("*") if path.name.startswith(harm)).write_bytes(b"damaged")
    assert len(ReferenceIndex.open(large.folder, fingerprint())) == 0


def test_everything_removed_it_is_a_small_index_again(large: ReferenceIndex) -> None:
    for reference in IDS:
        large.remove(reference)
    large.save()
    assert ReferenceIndex.open(large.folder, fingerprint()).kind == "exact"


def test_a_persons_own_file_among_old_lists_stays(large: ReferenceIndex, monkeypatch: pytest.MonkeyPatch) -> None:
    folder = next(path for path in large.folder.iterdir() if path.is_dir())
    (folder / "notes.txt").write_text("mine")
    monkeypatch.setattr(index_module, "FEW", 2)
    for reference, text in strangers(5).items():
        large.add(reference, text)
    large.save()
    assert [path.name for path in folder.iterdir()] == ["notes.txt"]


def test_cells_in_groups_find_nearly_what_all_cells_would() -> None:
    rng = np.random.default_rng(5)
    seeds = rng.integers(0, 256, (1500, 32), np.uint8)
    rows = np.bitwise_xor(np.repeat(seeds, 8, axis=0), np.packbits(rng.random((12_000, 256)) < 0.08, axis=1))
    cells = train_cells(rows, 1500)
    lists = empty_lists(cells)
    put(lists, nearest_cell(cells, rows), np.arange(len(rows)), rows)
    distances, ids = lists.search(rows[:300], 1)
    assert (ids[:, 0] == np.arange(300)).mean() > 0.99
    assert distances[:, 0].max() == 0 or (distances[:, 0] == 0).mean() > 0.99


def test_lists_mapped_from_a_file_answer_as_in_memory(tmp_path: Path) -> None:
    rows = np.random.default_rng(2).integers(0, 256, (3000, 32), np.uint8)
    cells = train_cells(rows, 100)
    lists = empty_lists(cells)
    put(lists, nearest_cell(cells, rows), 7 * np.arange(len(rows)), rows)
    sizes = write_lists(tmp_path / "lists.bin", (list_of(lists, number) for number in range(100)))
    mapped = map_lists(cells, tmp_path / "lists.bin", sizes)
    for one, other in zip(lists.search(rows[:50], 5), mapped.search(rows[:50], 5), strict=True):
        assert np.array_equal(one, other)
    sizes[0] += 1
    with pytest.raises(ValueError, match="another size"):
        map_lists(cells, tmp_path / "lists.bin", sizes)


def test_cells_grow_with_the_root_of_the_rows() -> None:
    assert cells_for(4_000_000) == 2 * cells_for(1_000_000)
    assert cells_for(10) == 64


def test_the_coarsest_features_are_kept_in_their_order(descriptions: dict[int, Description]) -> None:
    text = descriptions[3]
    kept = coarsest(text, 100)
    assert len(kept.descriptors) == len(kept.points) == 100
    assert kept.scales.min() >= np.sort(text.scales)[-101]
    rows = [next(k for k in range(len(text.points)) if np.array_equal(text.points[k], p)) for p in kept.points]
    assert rows == sorted(rows)
    assert coarsest(text, 5000) is text


def test_neighbours_of_two_parts_are_those_of_the_whole() -> None:
    rng = np.random.default_rng(9)
    distances = rng.integers(0, 12, (6, 40)).astype(np.int32)  # many ties, on purpose
    names = np.tile(np.arange(40), (6, 1))

    def nearest(columns: np.ndarray) -> Neighbours:  # type: ignore[type-arg]
        order = columns[np.argsort(distances[:, columns], axis=1, kind="stable")][:, :10]
        taken = np.take_along_axis(distances, order, axis=1)
        return Neighbours(taken, np.take_along_axis(names, order, axis=1), np.zeros_like(order))

    whole = Neighbours.joined([nearest(np.arange(40))]).without_last_ties()
    parts = [nearest(np.arange(1, 40, 2)), nearest(np.arange(0, 40, 2))]
    assert np.array_equal(Neighbours.joined(parts).without_last_ties().references, whole.references)
    assert (whole.references >= 0).any()
