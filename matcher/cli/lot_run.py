"""`platekin lot FOLDER|FILE...`: a scanned lot, every card tagged. What becomes of it: `lot_results`, `lot_review`."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import nullcontext
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Annotated, Any

import typer
from rich.progress import BarColumn, MofNCompleteColumn, TextColumn, TimeRemainingColumn
from rich.progress import Progress as Bar

from matcher.catalogue import Catalogue
from matcher.cli.groups import RunGroup
from matcher.cli.identify import must_hold_references
from matcher.cli.options import ByOption, CatalogueOption, ClusterOption, QuietOption, WorkersOption, actor
from matcher.cli.output import HarmlessConsole, caution, counted, messages
from matcher.cli.photos import tell_left_aside
from matcher.core.parallel.cluster import Cluster
from matcher.core.parallel.guarded import Guarded
from matcher.core.settings import Settings
from matcher.jobs.lot import review, store
from matcher.jobs.lot.cards import Card, cards_of
from matcher.jobs.lot.faces import LOST
from matcher.jobs.lot.recto_verso import Rule
from matcher.jobs.lot.run import Identify, Planned, Progress, plan, run
from matcher.jobs.lot.store import LotRow
from matcher.jobs.workers import PATIENT, identify_all

SHORT = {
    "known": "known", "new_crop": "new crop", "new_caption": "new caption", "new_mark": "new mark",
    "new_pose": "new pose", "undecided": "undecided", "unreadable": "unreadable",
}  # fmt: skip


app = typer.Typer(
    cls=RunGroup, no_args_is_help=True, help="Tag a lot of scans, card by card, and decide on what waits for you."
)


@app.command("run")
def run_lot(
    sources: Annotated[list[Path], typer.Argument(metavar="FOLDER|FILE...", help="Folders with scans, or scans.")],
    catalogue: CatalogueOption,
    check: Annotated[bool, typer.Option("--check", help="Show what would be done; write nothing.")] = False,
    sides: Annotated[
        Rule | None,
        typer.Option(
            help="How fronts and backs are told apart: names (12_front, 12_back), order, or none; as the last time, or "
            "names.",
            show_default=False,
        ),
    ] = None,
    new: Annotated[
        bool, typer.Option("--new", help="Begin a new lot, even if these scans were taken as one before.")
    ] = False,
    strip: Annotated[
        bool | None,
        typer.Option(
            "--strip/--no-strip",
            help="Keep what the catalogue takes of the scans without what their files say of place, device and owner; "
            "as the last time, or not. The scans themselves stay as they are.",
            show_default=False,
        ),
    ] = None,
    retry: Annotated[bool, typer.Option("--retry", help="Try again what failed before.")] = False,
    workers: WorkersOption = None,
    propose: Annotated[
        bool, typer.Option("--propose/--no-propose", help="Propose what is new as finds, for you to decide.")
    ] = True,
    cluster: ClusterOption = None,
    by: ByOption = None,
    quiet: QuietOption = False,
) -> None:
    """Tag every card in a lot of scans. Stopped and called again, it resumes; `run` may be left out."""
    settings = Settings()
    must_hold_references(catalogue)
    with Guarded(PATIENT) as guard, Catalogue.open(catalogue, elsewhere=guard) as opened:
        way = _way(opened, sources, sides, strip)
        if check:
            print_plan(plan(opened, sources, settings, rule=way.sides, strip=way.strip, new=new), quiet)
            return
        if retry:
            _requeue(opened, sources, way)
        with Cluster.connect(cluster, catalogue, *sources) if cluster else nullcontext() as machines:
            identify = partial(identify_all, cluster=machines)
            failed = _work(opened, sources, settings, way, new, workers, identify, propose, by, quiet)
    if failed:
        raise typer.Exit(1)


@dataclass(frozen=True)
class _Way:
    """How sources are taken for a lot: another way is another lot."""

    sides: Rule
    strip: bool

    def lots(self, opened: Catalogue, sources: list[Path]) -> tuple[LotRow, ...]:
        """The open lots of these sources that were made this way."""
        key = store.key_of(sources, store.options_of(self.sides, self.strip))
        return store.lots(opened, key=key, state="open")


def _way(opened: Catalogue, sources: list[Path], sides: Rule | None, strip: bool | None) -> _Way:
    """As it is asked for; what is not said, as these sources were a lot the last time, or names, and not stripped."""
    rules: tuple[Rule, ...] = ("names", "order", "none") if sides is None else (sides,)
    ways = [_Way(rule, bare) for rule in rules for bare in ((False, True) if strip is None else (strip,))]
    known = [(lots[-1].made_at, way) for way in ways if (lots := way.lots(opened, sources))]
    return max(known, key=lambda one: one[0])[1] if known else ways[0]


def _requeue(opened: Catalogue, sources: list[Path], way: _Way) -> None:
    for found in way.lots(opened, sources)[-1:]:
        store.requeue(opened, found.lot_id)


def _work(
    opened: Catalogue, sources: list[Path], settings: Settings, way: _Way, new: bool, workers: int | None,
    identify: Identify, propose: bool, by: str | None, quiet: bool,
) -> int:  # fmt: skip
    """Run, compare, tell; returns how many items have failed."""
    with _bar(quiet) as bar:
        task = bar.add_task("identifying", total=None)

        def tell(now: Progress) -> None:
            bar.update(task, completed=now.done, total=now.total, description=f"identifying   {_found(now)}")

        def tell_pairs(at: int, total: int) -> None:
            bar.update(task, completed=at, total=total, description="comparing the cards with each other")

        done = run(
            opened,
            sources,
            actor(by),
            settings,
            rule=way.sides,
            new=new,
            strip=way.strip,
            workers=workers,
            tell=tell,
            identify=identify,
            tell_pairs=tell_pairs,
        )
    if propose:
        review.propose(opened, done.lot)
    tell_left_aside(done.gathered, quiet)
    failures = [item for item in store.items(opened, done.lot.lot_id) if item.state == "failed"]
    for item in failures:
        messages.print(f"item {item.number}: {item.message}", markup=False)
    for card in done.lost:
        told = f"card {card.card} of {card.item.name}: {LOST}; it was laid over no other card"
        messages.print(f"{told} (put the scan back, then run the same command)", markup=False)
    cards = cards_of(opened, done.lot)
    summary(done.lot.lot_id, done.counts, cards, done.asked)
    caution(quiet or not cards)
    return len(failures)


def summary(lot_id: str, counts: Any, cards: tuple[Card, ...], asked: int | None = None) -> None:
    """What a lot holds, in a few lines on stdout. asked: pictures looked at in this run, failed ones too."""
    console = HarmlessConsole(highlight=False, soft_wrap=True)
    now = "" if asked is None else f"; {counted(asked, 'picture')} looked at in this run"
    pages = f"{counted(counts['done'], 'page')} done, {counts['failed']} failed, {counts['queued']} waiting"
    console.print(f"lot {lot_id}: {pages}, {counted(len(cards), 'card')}{now}", markup=False)
    fronts = [card for card in cards if card.is_front]
    for outcome, words in SHORT.items():
        number = sum(card.outcome == outcome for card in fronts)
        if number:
            console.print(f"  {number:5} {words}", markup=False)
    kinds: list[tuple[str, Callable[[Card], bool]]] = [
        ("backs", lambda card: card.side == "back"),
        ("on duplicate scans", lambda card: not card.is_front and card.side != "back"),
        ("of those above are the same physical card again", lambda c: c.is_front and c.original != c.card),
    ]
    for words, which in kinds:
        number = sum(which(card) for card in cards)
        if number:
            console.print(f"  {number:5} {words}", markup=False)


def print_plan(found: Planned, quiet: bool) -> None:
    console = HarmlessConsole(highlight=False, soft_wrap=True)
    name = f"lot {found.lot.lot_id}" if found.lot else "a new lot"
    files, pages = counted(len(found.gathered.pictures), "file"), counted(len(found.items), "page")
    console.print(f"{name}: {files}, {pages}", markup=False)
    for number, words in (
        (found.to_ask, "would be identified"),
        (found.known, "are done already"),
        (len(found.damaged), "are damaged, or cannot be read"),
        (found.failed, "failed before"),
        (found.twice, "are duplicates of another file"),
        (found.pairs, "pairs of front and back"),
    ):
        console.print(f"  {number:5} {words}", markup=False)
    for words in found.damaged:
        console.print(f"        {words}", markup=False)
    tell_left_aside(found.gathered, quiet)
    console.print("nothing was written", markup=False)


def _found(now: Progress) -> str:
    parts = [f"{SHORT[outcome]} {now.found[outcome]}" for outcome in SHORT if outcome in now.found]
    return ", ".join([*parts, *([f"failed {now.failed}"] if now.failed else [])])


def _bar(quiet: bool) -> Bar:
    return Bar(
        TextColumn("{task.description}"), BarColumn(bar_width=20), MofNCompleteColumn(), TimeRemainingColumn(),
        console=messages, disable=quiet or not messages.is_terminal,
    )  # fmt: skip
