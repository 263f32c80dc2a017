"""The command line, `platekin`: one file a command, none of which repeats a stage.

Data goes to stdout, progress and messages to stderr. Exit codes: 0 all done, 1 some failed, 2 wrong call, 130 stopped.

    entry      `main`: what every command ends with          commands   all commands, in the groups that help shows
    groups     how commands are found by what is typed       options    options that several commands share
    defaults   the catalogue where none is named             photos     photos as people name them -> pages
    output     tables, JSON and messages                     examples   what the helps show
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from matcher.cli.entry import main

if TYPE_CHECKING:
    from matcher.cli.commands import app

__all__ = ["app", "main"]


def __getattr__(name: str) -> Any:
    """The commands, loaded when they are first asked for (PEP 562): `main` is to be there at once, to answer Ctrl-C."""
    if name != "app":
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    from matcher.cli.commands import app

    return app
