"""Sources and a catalogue in; every picture of the lot identified once, and what became of each, out.

Killed at any moment and started again, it resumes: an answer and the state of its item are one
transaction, and an item that is done is not asked again unless its content or the program has changed.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from typing import Any

from matcher.catalogue import Catalogue
from matcher.catalogue.log.decisions import Actor
from matcher.core.answer import PhotoAnswer
from matcher.core.errors import CatalogueError, PlatekinError, UnreadablePhoto
from matcher.core.parallel.elsewhere import Elsewhere
from matcher.core.photo import read_photo
from matcher.core.settings import PhotoLimits, Settings
from matcher.jobs.job import Job, JobResult, Preparation
from matcher.jobs.lot import store
from matcher.jobs.lot.cards import Card
from matcher.jobs.lot.discovery import Content, Gathered, gather, read_content, shown
from matcher.jobs.lot.faces import mend_faces
from matcher.jobs.lot.pairwise import compare_lot
from matcher.jobs.lot.pictures import KeepBare, KeepPage, SaveFaces, page_file
from matcher.jobs.lot.recto_verso import Rule, tell_sides
from matcher.jobs.lot.store import ItemRow, LotRow
from matcher.jobs.workers import identify_all

AT_ONCE = 100
"""Items hashed between two transactions."""

GONE = ("missing_file", "changed")
"""Failures of the file, not of its picture: looked at again in every run."""

Tell = Callable[["Progress"], None]
Identify = Callable[[Sequence[Job], Path, Settings, int | None], Iterator[JobResult]]
"""What answers jobs in their order: `identify_all`, or something quicker where only the bookkeeping is looked at."""


@dataclass(frozen=True)
class Progress:
    """Where a run is. found: cards by outcome, so far. failed: items."""

    done: int
    total: int
    failed: int
    found: Mapping[str, int]


@dataclass(frozen=True)
class Planned:
    """What a run would do. to_ask: contents; known: items that are answered; twice: items with another's content;
    damaged: what is wrong with pictures that would be asked about and cannot be read."""

    lot: LotRow | None
    gathered: Gathered
    items: tuple[ItemRow, ...]
    to_ask: int
    known: int
    failed: int
    twice: int
    pairs: int
    damaged: tuple[str, ...] = ()


@dataclass(frozen=True)
class Done:
    """What a run did. asked: contents identified in this run; counts: all items of the lot by state.

    lost: cards whose face cannot be had any more, so that they were laid over no other.
    """

    lot: LotRow
    gathered: Gathered
    asked: int
    counts: Mapping[str, int]
    found: Mapping[str, int] = field(default_factory=dict)
    lost: tuple[Card, ...] = ()


def plan(
    catalogue: Catalogue, sources: Sequence[Path], settings: Settings, *, rule: Rule = "names", new: bool = False,
    strip: bool = False,
) -> Planned:  # fmt: skip
    """What `run` would do with these sources; nothing is written. Raises CatalogueError missing_file, no_pictures."""
    gathered = _gather(catalogue, sources)
    lot = None if new else _same_lot(catalogue, sources, store.options_of(rule, strip))
    before = store.items(catalogue, lot.lot_id) if lot else ()
    now = {row.number: row for row in before}
    now |= {row.number: row for row in _news(catalogue, gathered, before, settings, lot.lot_id if lot else "")}
    rows = tuple(now[number] for number in sorted(now))
    answered = store.answered(catalogue, lot.lot_id, store.made_with(settings)) if lot else set()
    open_rows = [row for row in rows if row.state == "queued" or (row.state == "done" and row.content not in answered)]
    waiting = {row.content: row for row in open_rows if row.content not in answered}
    damaged = tuple(filter(None, (_trouble(catalogue, row, settings) for row in waiting.values())))
    return Planned(
        lot, gathered, rows, len(waiting) - len(damaged),
        sum(row.state == "done" and row.content in answered for row in rows),
        sum(row.state == "failed" for row in rows),
        len(rows) - len({row.content for row in rows}),
        len(tell_sides(gathered.pictures, rule).other) // 2,
        damaged,
    )  # fmt: skip


def _trouble(catalogue: Catalogue, row: ItemRow, settings: Settings) -> str:
    """Why a page cannot be read, "" where it can: it is decoded for that, elsewhere, as a run would."""
    try:
        return catalogue.elsewhere(_unreadable, row.path, settings.photo, row.label, row.page)
    except PlatekinError as error:  # within no limits
        return str(error)


def _unreadable(path: Path, limits: PhotoLimits, name: str, page: int) -> str:
    try:
        read_photo(path, limits, name, page)
    except UnreadablePhoto as error:
        return str(error)
    return ""


def run(
    catalogue: Catalogue, sources: Sequence[Path], who: Actor, settings: Settings, *, rule: Rule = "names",
    new: bool = False, strip: bool = False, workers: int | None = None, tell: Tell | None = None,
    identify: Identify = identify_all,
    compare: bool = True, tell_pairs: Callable[[int, int], None] | None = None,
) -> Done:  # fmt: skip
    """Take the sources for a lot, the one they were taken for before if there is one, and do what is left of it.

    strip: what the catalogue keeps of the scans is without what their files say of themselves. compare: whether the
    lot's cards are laid over each other too. tell_pairs: how many of how many have been.
    Raises CatalogueError missing_file, no_pictures, lot_busy, and storage's own.
    """
    gathered = _gather(catalogue, sources)
    lot = _lot_of(catalogue, sources, store.options_of(rule, strip), who, new)
    with store.only_run(catalogue, lot.lot_id):
        take_in(catalogue, lot, gathered, settings)
        asked = ask(catalogue, lot, settings, workers, tell, identify)
        lost = mend_faces(catalogue, lot, settings)
        if compare:
            compare_lot(catalogue, lot, settings, workers, tell_pairs, {card.key for card in lost})
    return Done(lot, gathered, asked, store.counts(catalogue, lot.lot_id), lost=lost)


def take_in(catalogue: Catalogue, lot: LotRow, gathered: Gathered, settings: Settings) -> None:
    """Make an item of every page that is new or was changed, and fail those whose file is gone."""
    before = store.items(catalogue, lot.lot_id)
    news: list[ItemRow] = []
    for row in _news(catalogue, gathered, before, settings, lot.lot_id):
        news.append(row)
        if len(news) == AT_ONCE:
            store.patiently(partial(store.add_items, catalogue, tuple(news)))
            news.clear()
    store.patiently(partial(store.add_items, catalogue, news))


def ask(
    catalogue: Catalogue, lot: LotRow, settings: Settings, workers: int | None = None, tell: Tell | None = None,
    identify: Identify = identify_all,
) -> int:  # fmt: skip
    """Identify what is queued; returns how many contents were asked. Only inside `store.only_run`."""
    fingerprint = store.made_with(settings)
    rows = store.items(catalogue, lot.lot_id)
    answered = store.answered(catalogue, lot.lot_id, fingerprint)
    todo = _unanswered(rows, answered)
    adopted = [row.number for row in rows if row.state == "queued" and row.content in answered]
    store.patiently(partial(store.set_done, catalogue, lot.lot_id, adopted))
    counting = _Counting(len(todo), tell)
    jobs = [job_of(catalogue, lot, row) for row in todo]
    for row, result in zip(todo, identify(jobs, catalogue.folder, settings, workers), strict=True):
        counting.add(result.answer)
        store.patiently(partial(keep, catalogue, row, fingerprint, result.answer))
    return len(todo)


def job_of(catalogue: Catalogue, lot: LotRow, row: ItemRow) -> Job:
    """What is asked about an item: its cards, their faces kept; of a file with several pages, the page kept too.

    Of a lot that strips its scans, each file is kept without what it says of itself, and its answer holds for that.
    """
    pages, faces = store.pages_of(catalogue, row.lot_id), SaveFaces(store.faces_of(catalogue, row.lot_id))
    apart: Preparation | None = KeepPage(pages) if row.pages > 1 else None
    if row.pages == 1 and lot.strips_scans:
        apart = KeepBare(pages, row.path)
    return Job(row.label, row.path, page=row.page, preparation=apart, steps=(faces,))


def keep(catalogue: Catalogue, row: ItemRow, fingerprint: str, answer: PhotoAnswer) -> None:
    """Store one item's answer, or why there is none."""
    error = answer.error
    if error:
        store.fail(catalogue, row, error.code, error.message, whole_content=error.code != "missing_file")
    elif answer.sha256 != row.sha256 and not (_has_own_picture(catalogue, row, answer) and _unchanged(row, row.path)):
        told = f"{row.name}: was changed while the lot was being worked on"
        store.fail(catalogue, row, "changed", told + " (run the same command again)", whole_content=False)
    else:
        store.keep_answer(catalogue, row, fingerprint, answer)


def _has_own_picture(catalogue: Catalogue, row: ItemRow, answer: PhotoAnswer) -> bool:
    """Whether the answer holds for a picture that was kept of this file: a page, or the file stripped."""
    return row.pages > 1 or page_file(store.pages_of(catalogue, row.lot_id), answer.sha256 or "").is_file()


def _gather(catalogue: Catalogue, sources: Sequence[Path]) -> Gathered:
    gathered = gather(sources, leave=(catalogue.folder,))
    if not gathered.pictures:
        named = ", ".join(shown(source) for source in sources)
        raise CatalogueError(
            "no_pictures", f"{named}: there are no pictures in it", "name a folder with scans, or the scans"
        )
    return gathered


def _same_lot(catalogue: Catalogue, sources: Sequence[Path], options: Mapping[str, Any]) -> LotRow | None:
    """The newest lot of these sources that was not cancelled."""
    found = store.lots(catalogue, key=store.key_of(sources, options), state="open", served=False)
    return found[-1] if found else None


def _lot_of(catalogue: Catalogue, sources: Sequence[Path], options: Mapping[str, Any], who: Actor, new: bool) -> LotRow:
    """The lot of these sources; a new one where there is none, or where one is wanted."""
    told = [str(source.resolve()) for source in sources]
    name = shown(sources[0].resolve().name) + (f" and {len(sources) - 1} more" if len(sources) > 1 else "")
    key = store.key_of(sources, options)
    return store.make_lot(catalogue, key, name, who.name, told, options, again=new)


def _news(
    catalogue: Catalogue, gathered: Gathered, before: Sequence[ItemRow], settings: Settings, lot_id: str
) -> Iterator[ItemRow]:
    """Items that are new, or whose file is another one now."""
    known = {(row.path, row.page): row for row in before}
    first = {row.path: row for row in before if row.page == 0}
    number = max((row.number for row in before), default=0)
    for path in gathered.pictures:
        held = first.get(path)
        if held and held.sha256 and held.code not in GONE and _unchanged(held, path) and not _may_have_more(held):
            continue
        content = content_or_error(path, settings, catalogue.elsewhere)
        if held and _may_have_more(held) and not _has_more(held, content):
            continue
        for page in range(1 if isinstance(content, UnreadablePhoto) else content.pages):
            same = known.get((path, page))
            number += same is None
            yield item_of(lot_id, same.number if same else number, path, page, content)
    there = set(gathered.pictures)
    for row in before:
        if row.path not in there and row.state == "queued":
            told = f"{row.name}: is no longer there (put it back, and run again)"
            yield replace(row, state="failed", code="missing_file", message=told)


def _may_have_more(held: ItemRow) -> bool:
    """A PDF whose pages could not be counted, for want of the part that reads it, was taken for one page."""
    return held.pages == 1 and held.state != "done" and held.path.suffix.lower() == ".pdf"


def _has_more(held: ItemRow, content: Content | UnreadablePhoto) -> bool:
    return not isinstance(content, UnreadablePhoto) and (content.pages > 1 or content.sha256 != held.sha256)


def _unchanged(held: ItemRow, path: Path) -> bool:
    try:
        now = path.stat()
    except OSError:
        return False
    return (now.st_size, now.st_mtime_ns) == (held.size, held.mtime_ns)


def content_or_error(path: Path, settings: Settings, elsewhere: Elsewhere) -> Content | UnreadablePhoto:
    """The file hashed, or why it cannot be."""
    try:
        return read_content(path, settings.photo, elsewhere)
    except UnreadablePhoto as error:
        return error


def item_of(lot_id: str, number: int, path: Path, page: int, content: Content | UnreadablePhoto) -> ItemRow:
    """An item that waits, or one that has failed already since its file cannot be read."""
    name = shown(path.name)
    if isinstance(content, UnreadablePhoto):
        return ItemRow(lot_id, number, path, name, page, 1, 0, 0, "", "failed", content.code, str(content))
    facts = (content.pages, content.size, content.mtime_ns, content.sha256)
    return ItemRow(lot_id, number, path, name, page, *facts, "queued")


def _unanswered(rows: Iterable[ItemRow], answered: set[tuple[str, int]]) -> list[ItemRow]:
    """The first item of each content that is to be asked."""
    first: dict[tuple[str, int], ItemRow] = {}
    for row in rows:
        if row.state != "failed" and row.content not in answered:
            first.setdefault(row.content, row)
    return list(first.values())


class _Counting:
    """Counts outcomes for the one who waits."""

    def __init__(self, total: int, tell: Tell | None) -> None:
        self._total, self._tell = total, tell
        self._done = self._failed = 0
        self._found: Counter[str] = Counter()

    def add(self, answer: PhotoAnswer) -> None:
        self._done += 1
        self._failed += answer.error is not None
        self._found.update(card.outcome for card in answer.cards)
        if self._tell:
            self._tell(Progress(self._done, self._total, self._failed, dict(self._found)))
