"""What a lot keeps of its scans, in the worker: the cards' flattened faces, and pages as pictures of their own."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, replace
from pathlib import Path

from matcher.catalogue.records.files import encode_face, write_whole
from matcher.catalogue.tables.database import guarded
from matcher.core.errors import UnreadablePhoto
from matcher.core.identify import Identification
from matcher.core.photo import Photo, png_of
from matcher.core.strip import stripped
from matcher.jobs.job import WorkerContext


def face_file(folder: Path, sha256: str, number: int) -> Path:
    """Where the face of a picture's card is kept, counted from 1."""
    return folder / sha256[:2] / f"{sha256}-{number}.jpg"


def page_file(folder: Path, sha256: str) -> Path:
    """Where a page is kept by itself."""
    return folder / sha256[:2] / f"{sha256}.png"


@dataclass(frozen=True)
class KeptFace:
    """A card's flattened front, as it is kept under `face_file`."""

    data: bytes


@dataclass(frozen=True)
class HandFace:
    """Step: hand back the face of the photo's only card, to be kept once it is settled that it should be.

    position: of the card in its picture, counted from 1.
    """

    position: int

    def __call__(self, name: str, found: Identification, context: WorkerContext) -> KeptFace | None:
        if not found.cards:
            return None
        path = face_file(Path(), found.photo.sha256, self.position)
        return KeptFace(encode_face(found.cards[0].face, path.name))


@dataclass(frozen=True)
class SaveFaces:
    """Step: keep the face of each card in a folder; an absolute path, so that it holds on another machine too."""

    folder: Path

    def __post_init__(self) -> None:
        object.__setattr__(self, "folder", self.folder.resolve())

    def __call__(self, name: str, found: Identification, context: WorkerContext) -> None:
        """Without room for them the work cannot go on: raises CatalogueError disk_full."""
        with guarded(context.references.catalogue.folder):
            for number, card in enumerate(found.cards, start=1):
                path = face_file(self.folder, found.photo.sha256, number)
                write_whole(path, encode_face(card.face, path.name), keep=False)


@dataclass(frozen=True)
class KeepPage:
    """Preparation: keep a page in a folder as a picture of its own, for which the answer then holds."""

    folder: Path

    def __post_init__(self) -> None:
        object.__setattr__(self, "folder", self.folder.resolve())

    def __call__(self, photo: Photo, context: WorkerContext) -> Photo:
        """Raises CatalogueError disk_full."""
        return _kept(png_of(photo), photo, self.folder, context)


@dataclass(frozen=True)
class KeepBare:
    """Preparation: keep a file in a folder without what it says of itself, and let the answer hold for that."""

    folder: Path
    source: Path

    def __post_init__(self) -> None:
        object.__setattr__(self, "folder", self.folder.resolve())
        object.__setattr__(self, "source", self.source.resolve())

    def __call__(self, photo: Photo, context: WorkerContext) -> Photo:
        """Raises UnreadablePhoto changed, CatalogueError disk_full."""
        data = self.source.read_bytes()
        if hashlib.sha256(data).hexdigest() != photo.sha256:
            raise UnreadablePhoto("changed", f"{photo.name}: was changed while it was being read", "run again")
        return _kept(stripped(data, context.settings.photo, photo.name), photo, self.folder, context)


def _kept(data: bytes, photo: Photo, folder: Path, context: WorkerContext) -> Photo:
    """The photo as a file of its own: the same pixels."""
    own = replace(photo, sha256=hashlib.sha256(data).hexdigest())
    with guarded(context.references.catalogue.folder):
        write_whole(page_file(folder, own.sha256), data)
    return own


def alone(photo: Photo, context: WorkerContext) -> Photo:
    """Preparation: the page as a picture of its own, for which the answer then holds."""
    return replace(photo, sha256=hashlib.sha256(png_of(photo)).hexdigest())


@dataclass(frozen=True)
class PagePicture:
    """A page as a picture of its own: a PNG file's bytes."""

    data: bytes


def bring_page(name: str, found: Identification, context: WorkerContext) -> PagePicture:
    """Step: hand back the page that `alone` made."""
    return PagePicture(png_of(found.photo))
