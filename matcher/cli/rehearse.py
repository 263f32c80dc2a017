"""`platekin rehearse`: refit the confidence on one's own catalogue, and store it there."""

from __future__ import annotations

from contextlib import nullcontext
from importlib.util import find_spec
from pathlib import Path
from typing import Annotated

import typer

from matcher.catalogue import Catalogue
from matcher.catalogue.calibration_store import NAME, written
from matcher.catalogue.records.files import write_whole
from matcher.catalogue.reference_set import CatalogueReferences
from matcher.cli.options import CatalogueOption, ClusterOption, QuietOption
from matcher.cli.output import HarmlessConsole, messages, progress
from matcher.core.errors import PlatekinError
from matcher.core.parallel.cluster import Cluster
from matcher.core.parallel.processes import usable_processors
from matcher.lab.synthesis.lettering import CENTURY, ITALIC, ROMAN


def rehearse(
    catalogue: CatalogueOption,
    seed: Annotated[int, typer.Option(help="Another seed draws other wear and photos.")] = 1,
    most: Annotated[int, typer.Option(min=30, help="Poses rehearsed at most.")] = 150,
    workers: Annotated[int | None, typer.Option(min=1, help="Processes; two if not given.")] = None,
    cluster: ClusterOption = None,
    forget: Annotated[bool, typer.Option("--forget", help="Go back to the shipped confidence.")] = False,
    quiet: QuietOption = False,
) -> None:
    """Refit the confidence on the catalogue's own references, aged and photographed in code; some minutes."""
    if forget:
        _forget(catalogue)
        return
    if find_spec("sklearn") is None:
        lacking = "platekin rehearse needs scikit-learn, which is not installed"
        raise PlatekinError("missing_part", lacking, "pip install 'platekin[evaluate]'")
    from matcher.lab.training.recalibrate import refit

    machines = Cluster.connect(cluster, catalogue) if cluster else nullcontext()
    with machines as connected, CatalogueReferences.open(catalogue) as references, progress(quiet) as bar:
        task = bar.add_task("rehearsing", total=None)
        done = refit(
            references,
            seed=seed,
            most=most,
            workers=workers or min(2, usable_processors()),
            fonts=("", ROMAN, ITALIC, CENTURY),
            progress=lambda done, total: bar.update(task, completed=done, total=total),
            cluster=connected,
        )
    with Catalogue.open(catalogue) as opened, opened.writing():
        write_whole(catalogue / NAME, written(done.calibration))
    console = HarmlessConsole(highlight=False, soft_wrap=True)
    console.print(f"{'rung':8} {'pairs':>6}  {'Brier':>15}  {'calibration error':>18}   (shipped, refitted; held out)")
    for gain in done.gains:
        before, after = gain.shipped, gain.refitted
        figures = f"{before['brier']:.3f} -> {after['brier']:.3f}  {before['ece']:>9.3f} -> {after['ece']:.3f}"
        console.print(
            f"{gain.rung:8} {after['pairs']:>6.0f}  {figures}   {'refitted' if gain.taken else 'left as it was'}"
        )
    if not quiet:
        messages.print(f"{done.poses} poses rehearsed, {done.pairs} pairs; stored in {catalogue / NAME}", markup=False)


def _forget(catalogue: Path) -> None:
    with Catalogue.open(catalogue) as opened, opened.writing():
        known = (catalogue / NAME).exists()
        (catalogue / NAME).unlink(missing_ok=True)
    messages.print("the shipped confidence is used again" if known else "the shipped confidence is used already")
