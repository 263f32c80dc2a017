"""`main` as the shell calls it: Ctrl-C is answered from the first line on, before anything is loaded.

Loading takes a second or two. Within it nothing is open and nothing stored, so Ctrl-C ends the process at once: no
traceback, and no library that makes another error of it. The same holds once all is done; in between
`matcher.cli.entry` answers it. Nothing that takes time to load may stand at the head of this file, nor of
`matcher` or `matcher.cli`: what is left before the first line is Python's own start, about a hundredth of a second.
"""

from __future__ import annotations

import signal

from matcher.cli.ctrl_c import leave


def answer_ctrl_c() -> None:
    """From here on Ctrl-C ends the process with a sentence; a shell's background job goes on ignoring it."""
    if callable(signal.getsignal(signal.SIGINT)):
        signal.signal(signal.SIGINT, leave)


def main() -> None:
    """Entry point of the `platekin` command."""
    answer_ctrl_c()
    from matcher.cli.entry import main as command

    command()
