"""The catalogue that is meant where none is named, and `platekin use`, which remembers it."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from matcher.catalogue import Catalogue
from matcher.catalogue.records.files import write_whole
from matcher.catalogue.tables.targets import writing_out
from matcher.cli.output import remark

VARIABLE = "PLATEKIN_CATALOGUE"


def remembered() -> Path | None:
    """The folder that `platekin use` was told, None where there is none."""
    try:
        named = _file().read_text(encoding="utf-8").strip()
    except (OSError, UnicodeDecodeError):
        return None
    return Path(named) if named else None


def must_be_named(context: typer.Context, given: Path | None) -> Path | None:
    """Refuse a command that needs a catalogue and knows none."""
    if given is None and not context.resilient_parsing:
        raise typer.BadParameter(
            "no catalogue is named: add --catalogue DIR, or name one for good with: platekin use DIR",
            param_hint="--catalogue",
        )
    return given


def use(
    folder: Annotated[
        Path | None, typer.Argument(metavar="[DIR]", help="The catalogue's folder; shows the present one if not given.")
    ] = None,
    forget: Annotated[bool, typer.Option("--forget", help="Remember none any more.")] = False,
    quiet: Annotated[bool, typer.Option("--quiet", "-q", help="Print no progress and no remarks.")] = False,
) -> None:
    """Remember a catalogue, so that --catalogue need not be typed."""
    if forget:
        with writing_out(_file()):
            _file().unlink(missing_ok=True)
        remark("no catalogue is remembered any more", quiet)
        return
    if folder is None:
        print(remembered() or f"none; name one with: platekin use DIR, or in the variable {VARIABLE}")
        return
    with Catalogue.open(folder):  # a wrong folder is told now, not at each later command
        pass
    with writing_out(_file()):
        write_whole(_file(), f"{folder.resolve()}\n".encode())
    remark(f"{folder.resolve()} is used from now on where no --catalogue is given", quiet)


def _file() -> Path:
    return Path(typer.get_app_dir("platekin")) / "catalogue"
