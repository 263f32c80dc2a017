"""Photos as people name them in; one job per page out: files and folders, every page of a TIFF or PDF."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import typer

from matcher.cli.output import messages, remark
from matcher.core.answer import PhotoAnswer, Quad
from matcher.core.settings import PhotoLimits
from matcher.jobs.job import Job, Step
from matcher.jobs.lot.discovery import Gathered, gather, pages_in
from matcher.jobs.lot.pictures import KeepBare, KeepPage, page_file

TURNS = (0, 90, 180, 270)


@dataclass(frozen=True)
class Page:
    """A picture to identify. number: of a file with several pages, from 1; None for the only one."""

    path: Path
    number: int | None = None

    @property
    def name(self) -> str:
        """The path; of a page as RFC 8118 names one."""
        return str(self.path) if self.number is None else f"{self.path}#page={self.number}"


def pages_of(named: Sequence[Path], catalogue: Path, quiet: bool) -> list[Page]:
    """Every page of the files, and of the pictures in the folders, in the order in which they are named.

    A file that is not there stays: its answer says what is wrong. Raises BadParameter for folders without a picture.
    """
    found: list[Page] = []
    for path in named:
        if not path.is_dir():
            found += _pages(path)
            continue
        inside = gather([path], [catalogue])
        if not inside.pictures:
            raise typer.BadParameter(f"{path}: there are no pictures in this folder", param_hint="PHOTO")
        found += [page for picture in inside.pictures for page in _pages(path / picture.relative_to(path.absolute()))]
        tell_left_aside(inside, quiet)
    return found


def jobs_of(pages: Sequence[Page], steps: tuple[Step, ...] = (), quad: Quad | None = None) -> list[Job]:
    """quad: the corners of the only card, as a person gives them."""
    return [Job(page.name, page.path, max(0, (page.number or 1) - 1), quad, steps=steps) for page in pages]


def kept_apart(jobs: Sequence[Job], pages: Sequence[Page], folder: Path, strip: bool = False) -> list[Job]:
    """Jobs whose pages are kept in a folder as pictures of their own, for `bytes_of`.

    strip: all others too, without what their files say of themselves; a page that is kept by itself says nothing.
    """

    def prepared(job: Job, page: Page) -> Job:
        if page.number is not None:
            return replace(job, preparation=KeepPage(folder))
        return replace(job, preparation=KeepBare(folder, page.path)) if strip else job

    return list(map(prepared, jobs, pages))


def bytes_of(page: Page, answer: PhotoAnswer, folder: Path, strip: bool = False) -> bytes:
    """The picture that an answer holds for: the file, or what was kept in its place. Raises OSError."""
    path = page_file(folder, answer.sha256 or "") if strip or page.number is not None else page.path
    return path.read_bytes()


def corners_of(given: str | None) -> Quad | None:
    """'x,y x,y x,y x,y' as the four corners of a card.

    >>> corners_of("0,0 10,0 10,20 0,20")
    ((0.0, 0.0), (10.0, 0.0), (10.0, 20.0), (0.0, 20.0))
    """
    if given is None:
        return None
    try:
        points = [[float(number) for number in pair.split(",")] for pair in given.split()]
        (ax, ay), (bx, by), (cx, cy), (dx, dy) = points
    except ValueError:
        raise typer.BadParameter(
            "write four corners in pixels, clockwise from the upper left: '102,80 910,95 890,1500 95,1490'",
            param_hint="--corners",
        ) from None
    return (ax, ay), (bx, by), (cx, cy), (dx, dy)


def turned(quad: Quad, turn: int) -> Quad:
    """The corners of a card that has to be turned clockwise by so many degrees to stand upright.

    >>> turned(((0, 0), (10, 0), (10, 20), (0, 20)), 180)
    ((10, 20), (0, 20), (0, 0), (10, 0))
    """
    if turn not in TURNS:
        raise typer.BadParameter("turn by 90, 180 or 270 degrees", param_hint="--turn")
    steps = turn // 90
    a, b, c, d = (quad[(place - steps) % 4] for place in range(4))
    return a, b, c, d


def tell_left_aside(gathered: Gathered, quiet: bool) -> None:
    """Say which files of a folder are no pictures, and which could not be looked at."""
    for trouble in gathered.troubles:
        messages.print(trouble.message, markup=False)
    if gathered.aside:
        counts = ", ".join(f"{count} {suffix}" for suffix, count in gathered.aside.items())
        remark(f"skipped, no pictures of a kind that is read: {counts}", quiet)


def _pages(path: Path) -> Iterator[Page]:
    count = pages_in(path, PhotoLimits())
    if count == 1:
        yield Page(path)
    else:
        yield from (Page(path, number) for number in range(1, count + 1))
