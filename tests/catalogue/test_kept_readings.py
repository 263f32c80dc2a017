"""What is read off references is kept beside their faces: read once, whoever asks, and never believed unchecked."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import pytest

from matcher.catalogue import Catalogue
from matcher.catalogue.exchange.check import check
from matcher.catalogue.reference_set import CatalogueReferences
from matcher.core.flatten import Face


@dataclass(frozen=True)
class MeanTone:
    """A reading of a test: the face's mean tone; it notes how often it was asked."""

    key: str = "k1"
    asked: list[int] = field(default_factory=list, hash=False, compare=False)

    def read(self, face: Face) -> str:
        self.asked.append(1)
        return f"{face.grey.mean():.3f}"

    def encode(self, written: str) -> bytes:
        return written.encode()

    def decode(self, data: bytes) -> str:
        return data.decode()


def read(folder: Path, reading: MeanTone, reference: int = 1) -> str:
    """By a process of its own, as it were."""
    with CatalogueReferences.open(folder) as references:
        return references.read(reference, reading)


def test_it_is_read_once(folder: Path) -> None:
    reading = MeanTone()
    with CatalogueReferences.open(folder) as references:
        assert references.read(1, reading) == references.read(1, reading)
    assert read(folder, reading) == read(folder, MeanTone())
    assert len(reading.asked) == 1
    assert read(folder, reading, 3) != read(folder, reading)
    assert len(reading.asked) == 2


def test_another_way_of_reading_is_not_answered_by_the_first(folder: Path) -> None:
    read(folder, MeanTone("k1"))
    other = MeanTone("k2")
    read(folder, other)
    assert len(other.asked) == 1


def test_where_nothing_can_be_read_nothing_is_kept(folder: Path) -> None:
    blind = MeanTone("")
    read(folder, blind)
    read(folder, blind)
    assert len(blind.asked) == 2
    assert not list(folder.glob("lines/*/*"))


@pytest.mark.parametrize("damage", [b"", b"12.000", b"\0" * 200])
def test_what_is_damaged_is_told_and_read_again(folder: Path, damage: bytes) -> None:
    right = read(folder, MeanTone())
    (kept,) = folder.glob("lines/*/*")
    kept.write_bytes(damage or kept.read_bytes()[:-1])
    with Catalogue.open(folder) as catalogue:
        assert [trouble.kind for trouble in check(catalogue)] == ["damaged_lines"]
        assert read(folder, MeanTone()) == right
        assert check(catalogue) == ()


def test_anothers_is_not_believed(folder: Path) -> None:
    """Two references' files exchanged: each is whole, and says nothing of the other."""
    first, third = read(folder, MeanTone()), read(folder, MeanTone(), 3)
    one, two = sorted(folder.glob("lines/*/*"))
    content = one.read_bytes()
    one.write_bytes(two.read_bytes())
    two.write_bytes(content)
    assert (read(folder, MeanTone()), read(folder, MeanTone(), 3)) == (first, third)


def test_a_catalogue_that_cannot_be_written_to_answers_all_the_same(folder: Path) -> None:
    (folder / "lines").write_text("no folder")  # as good as a disk that is full
    reading = MeanTone()
    assert read(folder, reading) == read(folder, reading)
    assert len(reading.asked) == 2
