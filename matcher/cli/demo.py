"""`platekin demo`: the main job on the embedded demo set, from invented cards to identified photos."""

from __future__ import annotations

import csv
import json
import os
import shutil
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated

import typer

from matcher.catalogue import Catalogue
from matcher.catalogue.log.decisions import whoever_runs_this
from matcher.catalogue.records.enrol import enrol
from matcher.catalogue.tables.database import URL_VARIABLE
from matcher.cli.output import HarmlessConsole, counted, messages, progress
from matcher.core.answer import PhotoAnswer
from matcher.core.answer_json import CAUTIONS, to_json
from matcher.core.errors import CatalogueError
from matcher.core.ladder.candidate import Confidence
from matcher.core.settings import Settings
from matcher.jobs.job import Job
from matcher.jobs.lot.cards import cards_of
from matcher.jobs.lot.results import write_results
from matcher.jobs.lot.review_queue import queue
from matcher.jobs.lot.run import run as run_lot
from matcher.jobs.lot.spreadsheet import write_sheet
from matcher.jobs.render.evidence import SaveEvidence
from matcher.jobs.workers import identify_all
from reference_demo.make import DEFAULT_SEED, make_demo
from reference_demo.page import draw_page, page_cards
from reference_demo.plan import make_plan
from reference_demo.score import Score, card_in_question, score


@dataclass(frozen=True)
class Run:
    """What one demo run gave."""

    answers: list[PhotoAnswer]
    truth: list[dict[str, str]]
    seconds: dict[str, float]
    page: list[str]


def demo(
    output: Annotated[Path, typer.Option(metavar="DIR", help="Folder to work in.")] = Path("demo-output"),
    seed: Annotated[int | None, typer.Option(help="Another seed draws other cards, wear and photos.")] = None,
    pictures: Annotated[bool, typer.Option(help="Write an evidence picture for each photo.")] = True,
) -> None:
    """Draw invented cards and photos of them, enrol the references, identify the photos, show the result."""
    # The demo's invented records must not get into a catalogue of somebody's own.
    os.environ.pop(URL_VARIABLE, None)
    _make_room(output)
    run = _run(output, seed, pictures)
    lines = [json.dumps(to_json(answer), ensure_ascii=False) + "\n" for answer in run.answers]
    (output / "results.jsonl").write_text("".join(lines))
    console = HarmlessConsole(highlight=False, soft_wrap=True)
    for line in ("", *_answers(run), "", *_scores(score(run.truth, run.answers))):
        console.print(line, markup=False)
    took = ", ".join(f"{name} {seconds:.0f} s" for name, seconds in run.seconds.items())
    console.print(f"\ntook: {took}")
    for line in run.page:
        console.print(line, markup=False)
    if pictures:
        console.print(f"evidence pictures: {output / 'evidence'}   (one a card)", markup=False)
    console.print(f"try your own photo: platekin identify PHOTO --catalogue {output / 'catalogue'}", markup=False)
    console.print("\n" + CAUTIONS[0])


MARK = "demo.json"
"""In the demo's folder: the last decision of its catalogue when the demo was done with it, null until then."""


def _make_room(output: Path) -> None:
    """Take away what an earlier demo left: records of another seed are others. Raises CatalogueError target_exists
    where the folder is somebody's own, or something was decided in the demo's catalogue since."""
    mark, catalogue = output / MARK, output / "catalogue"
    if output.is_dir() and any(output.iterdir()):
        try:
            last = json.loads(mark.read_text())["last_decision"]
        except (OSError, ValueError, LookupError, TypeError):
            told = f"{output}: it holds something that no demo of this version made"
            raise CatalogueError("target_exists", told, "name a folder that is not there yet: --output DIR") from None
        if last is not None and (catalogue / "catalogue.sqlite").is_file():
            with Catalogue.open(catalogue) as earlier:
                worked_in = earlier.last_decision() != last
            if worked_in:
                told = f"{catalogue}: something was decided in it since the demo made it"
                raise CatalogueError("target_exists", told, "name another folder: --output DIR; or take this one away")
        shutil.rmtree(catalogue, ignore_errors=True)
    output.mkdir(parents=True, exist_ok=True)
    mark.write_text(json.dumps({"last_decision": None}))


def _run(output: Path, seed: int | None, pictures: bool) -> Run:
    seconds: dict[str, float] = {}
    started = time.perf_counter()
    messages.print(f"drawing the demo set into {output / 'set'}")
    make_demo(output / "set", DEFAULT_SEED if seed is None else seed)
    seconds["drawing"] = time.perf_counter() - started
    messages.print("enrolling its references")
    report = enrol(output / "set" / "records.csv", output / "catalogue")
    for row in report.failed:
        messages.print(row.message, markup=False)
    seconds["enrolling"] = time.perf_counter() - started - sum(seconds.values())
    messages.print(f"identifying its photos against {report.records} records")
    with (output / "set" / "truth.csv").open(encoding="utf-8", newline="") as file:
        truth = list(csv.DictReader(file))
    folder = output / "evidence" if pictures else None
    if folder:
        folder.mkdir(parents=True, exist_ok=True)
    steps = (SaveEvidence(folder),) if folder else ()
    jobs = [Job(row["photo"], output / "set" / row["photo"], steps=steps) for row in truth]
    with progress(quiet=False) as bar:
        found = identify_all(jobs, output / "catalogue", Settings())
        answers = [one.answer for one in bar.track(found, total=len(jobs), description="identifying")]
    seconds["identifying"] = time.perf_counter() - started - sum(seconds.values())
    page = _page(output, DEFAULT_SEED if seed is None else seed)
    seconds["a scanned page"] = time.perf_counter() - started - sum(seconds.values())
    return Run(answers, truth, seconds, page)


def _page(output: Path, seed: int) -> list[str]:
    """A page of six cards as a lot: tagged, compared with each other, saved as a table and a contact sheet."""
    messages.print("tagging a scanned page of six cards")
    plan = make_plan(seed)
    draw_page(plan, output / "scans", seed)
    with Catalogue.open(output / "catalogue") as catalogue:
        done = run_lot(catalogue, [output / "scans"], whoever_runs_this(), Settings())
        cards = cards_of(catalogue, done.lot)
        write_results(catalogue, done.lot, output / "lot.xlsx", replace=True)
        write_sheet(catalogue, done.lot, output / "lot.pdf", replace=True)
        decisions = len(queue(catalogue, done.lot))
        (output / MARK).write_text(json.dumps({"last_decision": catalogue.last_decision()}))
    tags = {card.found.record_id for card in cards if card.found.is_known}
    known = {record_id for _, record_id in page_cards(plan) if record_id}
    right = f"{len(cards)} cards found, {len(tags & known)} of {len(known)} records tagged, {len(tags - known)} wrongly"
    summary = f"scanned page: {right}; {counted(decisions, 'decision')} to take"
    return [summary, f"its table and contact sheet: {output / 'lot.xlsx'}, {output / 'lot.pdf'}"]


def _answers(run: Run) -> Iterator[str]:
    """One line a photo, narrow enough for a plain terminal."""
    yield f"{'photo':9} {'shows':12} {'fade':>5}  {'answer':12} {'record':7} {'pose':>5} {'crop':>5} {'words':>5}"
    for truth, answer in zip(run.truth, run.answers, strict=True):
        card = card_in_question(truth, answer)
        sure = card.confidence if card else Confidence()
        rungs = " ".join(f"{_percent(share):>5}" for share in (sure.pose, sure.crop, sure.caption))
        outcome, record = (card.outcome, card.record_id) if card else ("no card", None)
        wrong = "" if score([truth], [answer]).all_right else f"  should be {truth['record_id'] or truth['outcome']}"
        shows = truth["record_id"] or truth["kind"]
        fade = _percent(float(truth["residual_contrast"]))
        yield f"{Path(truth['photo']).stem:9} {shows:12} {fade:>5}  {outcome:12} {record or '':7} {rungs}{wrong}"


def _scores(found: Score) -> Iterator[str]:
    for what, right, total in found.rows():
        yield f"{what:42} {_percent(right / total if total else None, 1):>8}  of {total}"


def _percent(share: float | None, digits: int = 0) -> str:
    return "" if share is None else f"{100 * share:.{digits}f} %"
