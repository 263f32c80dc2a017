"""Options that several commands take: kinds of options, and groups of them that a command takes as one object.

    @app.command("reject")
    @grouped
    def reject(find: FindArgument, decision: DecisionOptions) -> None: ...

has the argument FIND and the options --catalogue, --by, --note and --quiet.
"""

from __future__ import annotations

import functools
import inspect
from collections.abc import Callable
from dataclasses import MISSING, dataclass, fields, is_dataclass
from pathlib import Path
from typing import Annotated, Any, Literal, get_type_hints

import typer

from matcher.catalogue import Catalogue
from matcher.catalogue.finds.resolution import RecordFields
from matcher.catalogue.log.decisions import Actor, DecisionRow, person, whoever_runs_this
from matcher.cli.defaults import VARIABLE, must_be_named, remembered
from matcher.cli.output import messages

CatalogueOption = Annotated[
    Path,
    typer.Option(
        "--catalogue",
        "-c",
        metavar="DIR",
        help="The catalogue's folder; the one that `platekin use` remembers if not given.",
        envvar=VARIABLE,
        default_factory=remembered,
        callback=must_be_named,
        show_default=False,
    ),
]
ReplaceOption = Annotated[bool, typer.Option("--replace", help="Write over what is there already.")]
QuietOption = Annotated[bool, typer.Option("--quiet", "-q", help="Print no progress and no remarks.")]
ByOption = Annotated[
    str | None,
    typer.Option(
        "--by", metavar="NAME", help="Your name, for the log; your user name if not given.", envvar="PLATEKIN_PERSON"
    ),
]
ClusterOption = Annotated[
    str | None,
    typer.Option("--cluster", metavar="ADDRESS", help="Work on a Dask cluster, as tls://host:8786, instead of here."),
]
StripOption = Annotated[
    bool, typer.Option("--strip", help="Keep pictures without what their files say of place, device and owner.")
]
NoteOption = Annotated[str, typer.Option("--note", metavar="TEXT", help="Why you decide so; kept in the log.")]
FormatOption = Annotated[
    Literal["table", "json"], typer.Option("--format", help="table for people; json for programs, one object per line.")
]
WorkersOption = Annotated[int | None, typer.Option(min=1, help="Number of processes; one per processor if not given.")]
DayOption = Annotated[str, typer.Option(metavar="DAY", help="When it was seen: 1987-05-23, 1987-05 or 1987.")]
SeriesOption = Annotated[str | None, typer.Option(metavar="SERIES", help="Only records of this series.")]
PhotosArgument = Annotated[
    list[Path], typer.Argument(metavar="PHOTO...", help="Photos or scans, or folders of them; every page is read.")
]
CornersOption = Annotated[
    str | None,
    typer.Option(
        metavar="'X,Y X,Y X,Y X,Y'",
        help="The card's corners in pixels, clockwise from its upper left, where the outline found is wrong.",
    ),
]
TurnOption = Annotated[
    int, typer.Option(metavar="DEGREES", help="Turn the card clockwise by 90, 180 or 270 where it was read turned.")
]


@dataclass(frozen=True, kw_only=True)
class DecisionOptions:
    """What every command takes that decides something: on which catalogue, who, and why."""

    catalogue: CatalogueOption
    by: ByOption = None
    note: NoteOption = ""
    quiet: QuietOption = False

    @property
    def actor(self) -> Actor:
        """Who decides."""
        return actor(self.by)

    def open(self) -> Catalogue:
        """The catalogue, to be used in a `with`. Raises CatalogueError."""
        return Catalogue.open(self.catalogue)

    def report(self, *decisions: DecisionRow) -> None:
        """Say on stderr what was decided."""
        for decision in decisions:
            report(decision, self.quiet)


@dataclass(frozen=True, kw_only=True)
class RecordOptions:
    """What a card becomes that is accepted as a new record; what is not given is as identified."""

    caption: Annotated[str | None, typer.Option(help="The words on the card as printed; '' where there are none.")] = (
        None
    )
    subject: Annotated[str | None, typer.Option(help="The sitter's name; needed for a new pose.")] = None
    record: Annotated[str | None, typer.Option(help="Id of the new record; the next free one if not given.")] = None
    pose: Annotated[str | None, typer.Option(help="Pose; as identified, or the next free id.")] = None
    crop: Annotated[str | None, typer.Option(help="Crop; as identified, or the next free letter.")] = None
    club: Annotated[str | None, typer.Option(help="The club as printed; as in the closest record if not given.")] = None
    issuer: Annotated[str | None, typer.Option(help="Who issued the card; as in the closest record.")] = None
    year: Annotated[str | None, typer.Option(help="When it was issued, as far as known; as in the closest record.")] = (
        None
    )
    series: Annotated[str | None, typer.Option(help="The series it belongs to; as in the closest record.")] = None
    mark: Annotated[
        str | None,
        typer.Option(help="The issuer's mark as printed, or none; as in the closest record, but for a new mark."),
    ] = None
    caption_place: Annotated[
        str | None, typer.Option(help="Where the words stand: below, in the picture, ...; as in the closest record.")
    ] = None

    def said(self, copy: str = "") -> RecordFields:
        """The same for the catalogue. copy: label of the physical card."""
        given = {field.name: getattr(self, field.name) for field in fields(self) if field.name != "record"}
        return RecordFields(**given, record_id=self.record, copy=copy)


def actor(by: str | None) -> Actor:
    """Who decides on the command line: always a person."""
    return whoever_runs_this() if by is None else person(by)


def report(decision: DecisionRow, quiet: bool) -> None:
    """Say on stderr what was decided, unless told to be quiet."""
    if not quiet:
        messages.print(f"{decision.outcome} (decision {decision.number} by {decision.by})", markup=False)


def grouped(command: Callable[..., None]) -> Callable[..., None]:
    """Let a command take groups of options: a parameter that is a dataclass becomes one option a field."""
    signature = inspect.signature(command, eval_str=True)
    groups: dict[str, Any] = {
        name: each.annotation for name, each in signature.parameters.items() if is_dataclass(each.annotation)
    }
    parameters: dict[str, inspect.Parameter] = {}
    for name, parameter in signature.parameters.items():
        for each in _fields_of(groups[name]) if name in groups else (parameter,):
            parameters[each.name] = each.replace(kind=inspect.Parameter.KEYWORD_ONLY)

    @functools.wraps(command)
    def with_groups(**given: Any) -> None:
        for name, group in groups.items():
            given[name] = group(**{field.name: given.pop(field.name) for field in fields(group)})
        command(**given)

    with_groups.__annotations__ = {name: each.annotation for name, each in parameters.items()}
    with_groups.__signature__ = inspect.Signature([*parameters.values()])  # type: ignore[attr-defined]
    return with_groups


def _fields_of(group: Any) -> list[inspect.Parameter]:
    """A dataclass's fields as parameters, with what Typer wants to know of them."""
    hints = get_type_hints(group, include_extras=True)
    return [
        inspect.Parameter(
            field.name,
            inspect.Parameter.KEYWORD_ONLY,
            default=inspect.Parameter.empty if field.default is MISSING else field.default,
            annotation=hints[field.name],
        )
        for field in fields(group)
    ]
