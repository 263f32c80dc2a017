"""`main`: runs a command; whatever goes wrong is said in a sentence, with what to do, and never as a traceback."""

from __future__ import annotations

import _thread
import errno
import os
import signal
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from types import FrameType
from typing import Any

from matcher.cli.ctrl_c import INTERRUPTED, STOPPED
from matcher.core.errors import PlatekinError


def main() -> None:
    """Run the command that was typed, and end with its exit code (`start.main` is what the shell calls)."""
    sys.unraisablehook = _unless_interrupted(sys.unraisablehook)
    try:
        _run()
    except KeyboardInterrupt:
        _end_interrupted()
    except SystemExit as end:
        if end.code == INTERRUPTED:
            _end_interrupted()
        raise
    except BrokenPipeError:
        _end(1)
    except PlatekinError as error:
        _say(f"platekin: {error.message}")
        if error.remedy:
            _say(f"  what to do: {error.remedy}")
        _end(2 if error.kind.wrong_call else 1)
    except OSError as error:
        _say(f"platekin: {_words(error)}")
        _say(f"  what to do: {_remedy(error)}")
        _end(1)
    except MemoryError:
        _say("platekin: there is not enough memory for this")
        _say("  what to do: close other programs, or use smaller pictures and fewer --workers")
        _end(1)


def _run() -> None:
    """Load the commands and run one; Ctrl-C is Ctrl-C, whatever a library makes of it."""
    from matcher.cli.commands import app

    with _noted() as interrupted:
        try:
            app(prog_name="platekin")
        except SystemExit:
            sys.stdout.flush()  # while a full disk can still be told
            raise
        except Exception as error:  # a library that is interrupted while it loads raises an error of its own
            if interrupted:
                raise KeyboardInterrupt from error
            raise


@contextmanager
def _noted() -> Iterator[list[int]]:
    """Gives a list to which each Ctrl-C is added before it is raised; where Ctrl-C is ignored it stays so."""
    noted: list[int] = []

    def note(number: int, frame: FrameType | None) -> None:
        noted.append(number)
        signal.default_int_handler(number, frame)

    before = signal.getsignal(signal.SIGINT)
    if not callable(before) or threading.current_thread() is not threading.main_thread():
        yield noted
        return
    signal.signal(signal.SIGINT, note)
    try:
        yield noted
    finally:
        signal.signal(signal.SIGINT, before)


def _unless_interrupted(hook: Callable[[Any], Any]) -> Callable[[Any], None]:
    """What tells of errors that nobody can catch. A Ctrl-C that came where a library was tidying up comes again."""

    def tell(unraisable: Any) -> None:
        if issubclass(unraisable.exc_type, KeyboardInterrupt):
            again = threading.Timer(0.01, _thread.interrupt_main)  # not from here, or it would be lost once more
            again.daemon = True
            with suppress(RuntimeError):  # while Python ends, no thread begins
                again.start()
        else:
            hook(unraisable)

    return tell


def _end_interrupted() -> None:
    """Say that it was stopped, once; a second Ctrl-C meanwhile changes nothing."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    _say(STOPPED)
    _end(INTERRUPTED)


def _end(code: int) -> None:
    """End without the flush at the end of Python, which would raise once more on a full disk or a closed pipe."""
    for stream in (sys.stdout, sys.stderr):
        try:
            stream.flush()
        except (OSError, ValueError):
            code = code or 1
            os.dup2(os.open(os.devnull, os.O_WRONLY), stream.fileno())
    sys.exit(code)


def _say(words: str) -> None:
    try:
        print(words, file=sys.stderr)
    except (OSError, ValueError):
        return


def _words(error: OSError) -> str:
    where = f"{error.filename}: " if error.filename else ""
    return f"{where}{error.strerror or error}"


def _remedy(error: OSError) -> str:
    if error.errno in (errno.ENOSPC, errno.EDQUOT):
        return "free some space, then run the same command again; what was stored before is kept"
    return "check the path, and that you may read and write there"
