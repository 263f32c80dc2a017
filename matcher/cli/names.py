"""`platekin poses|subjects|series ...`: what belongs together under one pose, one name, one series."""

from __future__ import annotations

from dataclasses import asdict
from typing import Annotated

import typer

from matcher.catalogue import Catalogue
from matcher.catalogue.records import corrections
from matcher.catalogue.records import series as catalogue_series
from matcher.catalogue.records.name_search import spellings_of
from matcher.cli.shared import (
    ByOption,
    CatalogueOption,
    FormatOption,
    NoteOption,
    QuietOption,
    actor,
    print_json,
    print_table,
    tell,
)
from matcher.jobs.crop_map import crop_map, map_crops

poses = typer.Typer(no_args_is_help=True, help="Merge and split poses; their crop maps.")
subjects = typer.Typer(no_args_is_help=True, help="Names of sitters, and their spellings.")
series = typer.Typer(no_args_is_help=True, help="What is known of a series.")

PoseArgument = Annotated[str, typer.Argument(metavar="POSE", help="The pose's name, like P0001.")]


@poses.command("merge")
def merge_poses(
    gone: Annotated[str, typer.Argument(metavar="GONE", help="The pose that goes.")],
    into: Annotated[str, typer.Argument(metavar="INTO", help="The pose that stays.")],
    catalogue: CatalogueOption,
    crop: Annotated[
        list[str] | None, typer.Option("--crop", metavar="OLD=NEW", help="What a crop of GONE is called in INTO.")
    ] = None,
    by: ByOption = None,
    note: NoteOption = "",
    quiet: QuietOption = False,
) -> None:
    """Say that two poses are one negative."""
    crops = dict(one.split("=", 1) for one in crop or () if "=" in one)
    if len(crops) != len(crop or ()):
        raise typer.BadParameter("write OLD=NEW, each crop once", param_hint="--crop")
    with Catalogue.open(catalogue) as opened:
        tell(corrections.merge_poses(opened, gone, into, actor(by), crops, note=note), quiet)


@poses.command("split")
def split_pose(
    pose: PoseArgument,
    new: Annotated[str, typer.Argument(metavar="NEW", help="Id of the new pose.")],
    catalogue: CatalogueOption,
    record: Annotated[list[str], typer.Option("--record", help="A record that goes to it; may be repeated.")],
    by: ByOption = None,
    note: NoteOption = "",
    quiet: QuietOption = False,
) -> None:
    """Say that one pose was two negatives."""
    with Catalogue.open(catalogue) as opened:
        tell(corrections.split_pose(opened, pose, record, new, actor(by), note=note), quiet)


@poses.command("map")
def map_pose(
    pose: PoseArgument, catalogue: CatalogueOption, format: FormatOption = "table", quiet: QuietOption = False
) -> None:
    """Measure where each known crop lies in the pose's common frame, and keep it."""
    with Catalogue.open(catalogue) as opened:
        decision = map_crops(opened, pose)
        rows = crop_map(opened, pose)
    if decision:
        tell(decision, quiet)
    if format == "json":
        for row in rows:
            print_json({"pose": row.pose, "crop": row.crop, "window_mm": row.window_mm, "sigma_mm": row.sigma_mm})
        return
    print_table(
        ("crop", "left", "top", "right", "bottom", "sigma mm"),
        ((row.crop, *row.window_mm, row.sigma_mm) for row in rows),
    )


@subjects.command("list")
def list_subjects(catalogue: CatalogueOption, format: FormatOption = "table") -> None:
    """List the sitters with their other spellings and the number of their poses and records."""
    with Catalogue.open(catalogue) as opened:
        records, spellings = opened.records(), spellings_of(opened)
    poses_of: dict[str, list[str]] = {}
    for record in records:
        poses_of.setdefault(record.subject, []).append(record.pose)
    for_each = [(name, spellings.get(name, []), len(set(held)), len(held)) for name, held in sorted(poses_of.items())]
    if format == "json":
        for name, others, pose_count, count in for_each:
            print_json({"subject": name, "spellings": others, "poses": pose_count, "records": count})
        return
    print_table(
        ("subject", "also spelt", "poses", "records"),
        ((name, ", ".join(others), pose_count, count) for name, others, pose_count, count in for_each),
    )


@subjects.command("merge")
def merge_subjects(
    gone: Annotated[str, typer.Argument(metavar="GONE", help="The name that becomes a spelling.")],
    into: Annotated[str, typer.Argument(metavar="INTO", help="The name that stays.")],
    catalogue: CatalogueOption,
    by: ByOption = None,
    note: NoteOption = "",
    quiet: QuietOption = False,
) -> None:
    """Say that two names are one sitter."""
    with Catalogue.open(catalogue) as opened:
        tell(corrections.merge_subjects(opened, gone, into, actor(by), note=note), quiet)


@subjects.command("spelling")
def spelling(
    subject: Annotated[str, typer.Argument(metavar="NAME", help="A name that the catalogue knows the sitter by.")],
    other: Annotated[str, typer.Argument(metavar="SPELLING", help="Another spelling of it.")],
    catalogue: CatalogueOption,
    by: ByOption = None,
    note: NoteOption = "",
    quiet: QuietOption = False,
) -> None:
    """Note another spelling of a name."""
    with Catalogue.open(catalogue) as opened:
        tell(corrections.add_spelling(opened, subject, other, actor(by), note=note), quiet)


@series.command("list")
def list_series(catalogue: CatalogueOption, format: FormatOption = "table") -> None:
    """List the series that are described or that records name, with the number of their records."""
    with Catalogue.open(catalogue) as opened:
        rows = catalogue_series.all_series(opened)
    if format == "json":
        for row in rows:
            print_json(asdict(row))
        return
    print_table(
        ("series", "title", "issuer", "years", "size mm", "records", "note"),
        ((row.series, row.title, row.issuer, row.years, _size(row), row.records, row.note) for row in rows),
    )


def _size(row: catalogue_series.SeriesRow) -> str:
    return f"{row.width_mm or '?'} x {row.height_mm or '?'}" if row.width_mm or row.height_mm else ""


@series.command("set")
def set_series(
    name: Annotated[str, typer.Argument(metavar="SERIES", help="Its id, as records name it.")],
    catalogue: CatalogueOption,
    title: Annotated[str | None, typer.Option(help="What the series is called.")] = None,
    issuer: Annotated[str | None, typer.Option(help="Who issued it.")] = None,
    years: Annotated[str | None, typer.Option(help="When: 1884-1889.")] = None,
    width_mm: Annotated[str | None, typer.Option(help="Nominal width of its cards.")] = None,
    height_mm: Annotated[str | None, typer.Option(help="Nominal height of its cards.")] = None,
    about: Annotated[str | None, typer.Option(help="A remark on the series.")] = None,
    by: ByOption = None,
    note: NoteOption = "",
    quiet: QuietOption = False,
) -> None:
    """Say what a series is."""
    given = {
        "title": title, "issuer": issuer, "years": years, "width_mm": width_mm, "height_mm": height_mm, "note": about,
    }  # fmt: skip
    fields = {key: value for key, value in given.items() if value is not None}
    with Catalogue.open(catalogue) as opened:
        tell(catalogue_series.set_series(opened, name, fields, actor(by), note=note), quiet)
