"""`platekin demo`: the main job on the embedded demo set, from invented cards to identified photos."""

from __future__ import annotations

import csv
import json
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any

import typer
from rich.console import Console
from rich.table import Table

from matcher.catalogue.enrol import enrol
from matcher.commands.shared import messages, progress
from matcher.report import CAUTIONS
from matcher.settings import Settings
from matcher.workers import Job, identify_all
from reference_demo.make import make_demo
from reference_demo.score import Score, score


@dataclass(frozen=True)
class Run:
    """What one demo run gave."""

    results: list[dict[str, Any]]
    truth: list[dict[str, str]]
    seconds: dict[str, float]


def demo(
    output: Annotated[Path, typer.Option(metavar="DIR", help="Folder to work in.")] = Path("demo-output"),
    seed: Annotated[int | None, typer.Option(help="Another seed draws other cards, wear and photos.")] = None,
    pictures: Annotated[bool, typer.Option(help="Write an evidence picture for each photo.")] = True,
) -> None:
    """Draw invented cards and photos of them, enrol the references, identify the photos, show the result."""
    run = _run(output, seed, pictures)
    (output / "results.jsonl").write_text("".join(json.dumps(r, ensure_ascii=False) + "\n" for r in run.results))
    console = Console(highlight=False)
    console.print(_answers(run))
    console.print(_scores(score(run.truth, run.results)))
    took = ", ".join(f"{name} {seconds:.0f} s" for name, seconds in run.seconds.items())
    console.print(f"\ntook: {took}")
    if pictures:
        console.print(f"evidence pictures: {output / 'evidence'}   (start with q001-1.png)", markup=False)
    console.print(f"try your own photo: platekin identify PHOTO --catalogue {output / 'catalogue'}", markup=False)
    console.print("\n" + CAUTIONS[0])


def _run(output: Path, seed: int | None, pictures: bool) -> Run:
    seconds: dict[str, float] = {}
    started = time.perf_counter()
    messages.print(f"drawing the demo set into {output / 'set'}")
    made = make_demo(output / "set") if seed is None else make_demo(output / "set", seed)
    seconds["drawing"] = time.perf_counter() - started
    messages.print("enrolling its references")
    report = enrol(output / "set" / "records.csv", output / "catalogue")
    for row in report.failed:
        messages.print(f"line {row.line}: {row.message}", markup=False)
    seconds["enrolling"] = time.perf_counter() - started - sum(seconds.values())
    messages.print(f"identifying its photos against {report.records} records")
    with (output / "set" / "truth.csv").open(encoding="utf-8", newline="") as file:
        truth = list(csv.DictReader(file))
    folder = output / "evidence" if pictures else None
    if folder:
        folder.mkdir(parents=True, exist_ok=True)
    jobs = [Job(row["photo"], output / "set" / row["photo"], folder) for row in truth]
    with progress(quiet=False) as bar:
        found = identify_all(jobs, output / "catalogue", Settings())
        results = list(bar.track(found, total=len(jobs), description="identifying"))
    seconds["identifying"] = time.perf_counter() - started - sum(seconds.values())
    del made
    return Run(results, truth, seconds)


def _answers(run: Run) -> Table:
    table = Table(title="photos and answers", title_justify="left", show_edge=False, pad_edge=False)
    for heading in ("photo", "shows", "fade", "answer", "record", "pose", "crop", "caption", ""):
        table.add_column(heading)
    for truth, result in zip(run.truth, run.results, strict=True):
        card = result["cards"][0] if result["cards"] else None
        answer = card["outcome"] if card else "no card"
        sure = card["confidence"] if card else {}
        rungs = [f"{100 * sure[r]:.0f} %" if sure.get(r) is not None else "" for r in ("pose", "crop", "caption")]
        shows = truth["record_id"] or truth["kind"]
        told = (card or {}).get("record_id") or ""
        right = score([truth], [result]).right_outcome
        table.add_row(
            Path(truth["photo"]).name, shows, f"{100 * float(truth['residual_contrast']):.0f} %", answer, told, *rungs,
            "" if right else "(expected " + truth["outcome"] + ")",
        )  # fmt: skip
    return table


def _scores(found: Score) -> Table:
    table = Table(title="how well it did", title_justify="left", show_edge=False, pad_edge=False)
    for heading in ("what", "share", "of"):
        table.add_column(heading)
    for what, right, total in found.rows():
        table.add_row(what, f"{100 * right / total:.1f} %" if total else "-", str(total))
    return table
