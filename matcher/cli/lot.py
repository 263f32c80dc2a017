"""`platekin lot DIR|FILES`: a scanned lot, every card tagged; `platekin lots ...`: its results, queue and decisions."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import nullcontext
from functools import partial
from pathlib import Path
from typing import Annotated, Any

import typer
from rich.progress import BarColumn, MofNCompleteColumn, TextColumn, TimeRemainingColumn
from rich.progress import Progress as Bar

from matcher.catalogue import Catalogue
from matcher.cli.options import ByOption, CatalogueOption, ClusterOption, QuietOption, WorkersOption, actor
from matcher.cli.output import HarmlessConsole, messages
from matcher.core.answer_json import CAUTIONS
from matcher.core.parallel.cluster import Cluster
from matcher.core.settings import Settings
from matcher.jobs.lot import review, store
from matcher.jobs.lot.cards import Card, cards_of
from matcher.jobs.lot.discovery import Gathered
from matcher.jobs.lot.recto_verso import Rule
from matcher.jobs.lot.run import Identify, Planned, Progress, plan, run
from matcher.jobs.workers import identify_all

SHORT = {
    "known": "known", "new_crop": "new crop", "new_caption": "new caption", "new_pose": "new pose",
    "undecided": "undecided", "unreadable": "unreadable",
}  # fmt: skip


def lot(
    sources: Annotated[list[Path], typer.Argument(metavar="DIR|FILE...", help="Folders with scans, or scans.")],
    catalogue: CatalogueOption,
    check: Annotated[bool, typer.Option("--check", help="Say what would be done, and write nothing.")] = False,
    sides: Annotated[
        Rule, typer.Option(help="How fronts and backs are told: names (12_front, 12_back), order, or none.")
    ] = "names",
    new: Annotated[
        bool, typer.Option("--new", help="A new lot, even if these scans were taken for one before.")
    ] = False,
    retry: Annotated[bool, typer.Option("--retry", help="Try again what failed before.")] = False,
    workers: WorkersOption = None,
    propose: Annotated[bool, typer.Option(help="Propose what is new as finds; they wait for you.")] = True,
    cluster: ClusterOption = None,
    by: ByOption = None,
    quiet: QuietOption = False,
) -> None:
    """Tag every card in a lot of scans. Stopped and called again, it goes on where it was."""
    settings = Settings()
    with Catalogue.open(catalogue) as opened:
        if not opened.counts().references:
            todo = f"enrol a table first: platekin enrol RECORDS.csv --catalogue {catalogue}"
            raise typer.BadParameter(f"{catalogue} holds no references yet; {todo}", param_hint="--catalogue")
        if check:
            print_plan(plan(opened, sources, settings, rule=sides, new=new))
            return
        if retry:
            _requeue(opened, sources, sides)
        with Cluster.connect(cluster, catalogue, *sources) if cluster else nullcontext() as machines:
            identify = partial(identify_all, cluster=machines)
            failed = _work(opened, sources, settings, sides, new, workers, identify, propose, by, quiet)
    if failed:
        raise typer.Exit(1)


def _requeue(opened: Catalogue, sources: list[Path], sides: Rule) -> None:
    for found in store.lots(opened, key=store.key_of(sources, {"sides": sides}), state="open")[-1:]:
        store.requeue(opened, found.lot_id)


def _work(
    opened: Catalogue, sources: list[Path], settings: Settings, sides: Rule, new: bool, workers: int | None,
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
            rule=sides,
            new=new,
            workers=workers,
            tell=tell,
            identify=identify,
            tell_pairs=tell_pairs,
        )
    if propose:
        review.propose(opened, done.lot)
    _print_left_aside(done.gathered, quiet)
    failures = [item for item in store.items(opened, done.lot.lot_id) if item.state == "failed"]
    for item in failures:
        messages.print(f"item {item.number}: {item.code}: {item.message}", markup=False)
    summary(done.lot.lot_id, done.counts, cards_of(opened, done.lot), done.asked)
    if not quiet:
        messages.print("\n" + CAUTIONS[0] + "\n" + CAUTIONS[3])
    return len(failures)


def summary(lot_id: str, counts: Any, cards: tuple[Card, ...], asked: int | None = None) -> None:
    """What a lot holds, in a few lines on stdout. asked: pictures that this run has identified."""
    console = HarmlessConsole(highlight=False, soft_wrap=True)
    now = "" if asked is None else f" ({asked} now)"
    pages = f"{counts['done']} pages done{now}, {counts['failed']} failed, {counts['queued']} waiting"
    console.print(f"lot {lot_id}: {pages}; {len(cards)} cards", markup=False)
    fronts = [card for card in cards if card.is_front]
    for outcome, words in SHORT.items():
        number = sum(card.outcome == outcome for card in fronts)
        if number:
            console.print(f"  {number:5} {words}", markup=False)
    kinds: list[tuple[str, Callable[[Card], bool]]] = [
        ("backs", lambda card: card.side == "back"),
        ("of a scan that is there twice", lambda card: not card.is_front and card.side != "back"),
        ("of a physical card that was scanned before", lambda card: card.is_front and card.original != card.card),
    ]
    for words, which in kinds:
        number = sum(which(card) for card in cards)
        if number:
            console.print(f"  {number:5} {words}", markup=False)


def print_plan(found: Planned) -> None:
    console = HarmlessConsole(highlight=False, soft_wrap=True)
    name = f"lot {found.lot.lot_id}" if found.lot else "a new lot"
    console.print(f"{name}: {len(found.gathered.pictures)} files, {len(found.items)} pages", markup=False)
    for number, words in (
        (found.to_ask, "would be identified"),
        (found.known, "are done already"),
        (found.failed, "failed before, or cannot be read"),
        (found.twice, "hold what another file holds"),
        (found.pairs, "pairs of front and back"),
    ):
        console.print(f"  {number:5} {words}", markup=False)
    _print_left_aside(found.gathered, quiet=False)
    console.print("nothing was written", markup=False)


def _print_left_aside(gathered: Gathered, quiet: bool) -> None:
    for trouble in gathered.troubles:
        messages.print(trouble.message, markup=False)
    if gathered.aside and not quiet:
        counts = ", ".join(f"{count} {suffix}" for suffix, count in gathered.aside.items())
        messages.print(f"left aside, no pictures: {counts}", markup=False)


def _found(now: Progress) -> str:
    parts = [f"{SHORT[outcome]} {now.found[outcome]}" for outcome in SHORT if outcome in now.found]
    return ", ".join([*parts, *([f"failed {now.failed}"] if now.failed else [])])


def _bar(quiet: bool) -> Bar:
    return Bar(
        TextColumn("{task.description}"), BarColumn(bar_width=20), MofNCompleteColumn(), TimeRemainingColumn(),
        console=messages, disable=quiet or not messages.is_terminal,
    )  # fmt: skip
