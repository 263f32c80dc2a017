"""How commands are found by what is typed: old names lead to the new ones, and a group may have a command that is meant
where none is named."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from typer.core import TyperCommand, TyperGroup

from matcher.cli.output import messages

RENAMED: Mapping[str, str] = {
    "lots": "lot",
    "doctor": "check",
    "import": "enrol",
    "enroll": "enrol",
    "log": "decisions",
}
"""What commands used to be called, or are called elsewhere, and what they are called now."""


def _plain(params: list[Any]) -> list[Any]:
    """Options for a help that shows no type behind what is merely said or not said."""
    for param in params:
        if getattr(param, "is_flag", False):
            param.metavar = ""
    return params


class PlainCommand(TyperCommand):
    """One command."""

    def get_params(self, ctx: Any) -> list[Any]:
        return _plain(super().get_params(ctx))


class PlainGroup(TyperGroup):
    """A group of commands."""

    def get_params(self, ctx: Any) -> list[Any]:
        return _plain(super().get_params(ctx))


class MainGroup(PlainGroup):
    """The commands of `platekin`; an old name is answered with the new one, and then obeyed."""

    def resolve_command(self, ctx: Any, args: list[str]) -> tuple[Any, Any, list[str]]:
        if args and args[0] in RENAMED and args[0] not in self.commands:
            new = RENAMED[args[0]]
            if not ctx.resilient_parsing:
                messages.print(f"'platekin {args[0]}' is now called 'platekin {new}'", markup=False)
            args = [new, *args[1:]]
        return super().resolve_command(ctx, args)


class RunGroup(PlainGroup):
    """A group whose command `run` is meant where none is named: `lot box/` is `lot run box/`."""

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        helping = {"--help"} & set(args[:1])
        if args and not helping and args[0] not in self.commands:
            args = ["run", *args]
        return super().parse_args(ctx, args)
