"""The command line, `platekin`: one file a command, none of which repeats a stage.

Data goes to stdout, progress and messages to stderr. Exit codes: 0 all done, 1 some failed, 2 wrong call, 130 stopped.

    start      `main` as the shell calls it                  entry      `main`: what every command ends with
    ctrl_c     Ctrl-C before and after a command             commands   all commands, in the groups that help shows
    groups     how commands are found by what is typed       options    options that several commands share
    defaults   the catalogue where none is named             photos     photos as people name them -> pages
    output     tables, JSON and messages                     examples   what the helps show
"""

from __future__ import annotations

TYPE_CHECKING = False  # that of `typing` takes a while to load, and Ctrl-C is to be answered at once (see `start`)
if TYPE_CHECKING:
    from matcher.cli.commands import app
    from matcher.cli.entry import main

__all__ = ["app", "main"]


def __getattr__(name: str) -> object:
    """The commands, and what runs one, loaded when they are first asked for (PEP 562)."""
    if name == "app":
        from matcher.cli.commands import app

        return app
    if name == "main":
        from matcher.cli.entry import main

        return main
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
