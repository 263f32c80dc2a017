"""`platekin poses ...`: what belongs together under one negative, and where its crops lie."""

from __future__ import annotations

from typing import Annotated, Any

import typer

from matcher.catalogue import Catalogue
from matcher.catalogue.records import corrections
from matcher.cli.options import CatalogueOption, DecisionOptions, FormatOption, QuietOption, grouped, report
from matcher.cli.output import print_rows
from matcher.jobs.crop_map import MappedCrop, crop_map, map_crops

app = typer.Typer(no_args_is_help=True, help="Merge and split poses; map their crops.")

PoseArgument = Annotated[str, typer.Argument(metavar="POSE", help="The pose's name, like P0001.")]


@app.command("merge")
@grouped
def merge(
    gone: Annotated[str, typer.Argument(metavar="GONE", help="The pose that goes.")],
    into: Annotated[str, typer.Argument(metavar="INTO", help="The pose that stays.")],
    decision: DecisionOptions,
    crop: Annotated[
        list[str] | None, typer.Option("--crop", metavar="OLD=NEW", help="What a crop of GONE is called in INTO.")
    ] = None,
) -> None:
    """Merge two poses that are one negative."""
    crops = dict(one.split("=", 1) for one in crop or () if "=" in one)
    if len(crops) != len(crop or ()):
        raise typer.BadParameter("write OLD=NEW, each crop once", param_hint="--crop")
    with decision.open() as opened:
        decision.report(corrections.merge_poses(opened, gone, into, decision.actor, crops, note=decision.note))


@app.command("split")
@grouped
def split(
    pose: PoseArgument,
    new: Annotated[str, typer.Argument(metavar="NEW", help="Id of the new pose.")],
    decision: DecisionOptions,
    record: Annotated[list[str], typer.Option("--record", help="A record that goes to it; may be repeated.")],
) -> None:
    """Split a pose that was two negatives."""
    with decision.open() as opened:
        decision.report(corrections.split_pose(opened, pose, record, new, decision.actor, note=decision.note))


@app.command("map")
def map_pose(
    pose: PoseArgument, catalogue: CatalogueOption, format: FormatOption = "table", quiet: QuietOption = False
) -> None:
    """Measure where each known crop lies in the pose's common frame; the measurement is kept."""
    with Catalogue.open(catalogue) as opened:
        measured = map_crops(opened, pose)
        rows = crop_map(opened, pose)
    if measured:
        report(measured, quiet)
    headings = ("crop", "left mm", "top mm", "right mm", "bottom mm", "± mm")
    print_rows(format, rows, headings, lambda row: (row.crop, *row.window_mm, row.sigma_mm), _as_object)


def _as_object(row: MappedCrop) -> dict[str, Any]:
    return {"pose": row.pose, "crop": row.crop, "window_mm": row.window_mm, "sigma_mm": row.sigma_mm}
