"""Parts of one photo's work on two threads of its process.

For work that leaves Python while it computes, as the libraries' networks do: one photo alone is answered sooner, and
where every processor has a photo of its own the same is computed, neither more nor less. The caller works too, and a
helper that is kept takes what it finds: to start a thread for each call, eighteen an answer, took 3 % of it by a
profile. Where the helper is at work already, as in work that is itself done side by side, the caller does it all.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from functools import lru_cache
from threading import Lock
from typing import Any, TypeVar

Item = TypeVar("Item")
Result = TypeVar("Result")
Other = TypeVar("Other")

THREADS = 2
"""The product is meant for two processors; own choice."""


@lru_cache
def _helper() -> ThreadPoolExecutor:
    """The threads that help, for the life of the process."""
    return ThreadPoolExecutor(THREADS - 1, thread_name_prefix="side-by-side")


if hasattr(os, "register_at_fork"):
    os.register_at_fork(after_in_child=_helper.cache_clear)  # its threads are not in a child


def side_by_side(work: Callable[[Item], Result], items: Sequence[Item]) -> list[Result]:
    """`work` of each item, in the items' order; raises what the first one that fails raises.

    >>> side_by_side(len, ["Ada", "Brell"])
    [3, 5]
    """
    if len(items) < 2:
        return [work(item) for item in items]
    done, failed, taking = dict[int, Result](), dict[int, Exception](), Lock()
    left: Iterator[tuple[int, Item]] = iter(enumerate(items))

    def take_all() -> None:
        while not failed:
            with taking:
                place, item = next(left, (-1, items[0]))
            if place < 0:
                return
            try:
                done[place] = work(item)
            except Exception as error:
                failed[place] = error

    helping = _helper().submit(take_all)
    try:
        take_all()
        if not helping.cancel():
            helping.result()
    except BaseException:  # an alarm, Ctrl-C: nothing of this call goes on behind the caller
        with taking:
            left = iter(())
        _ended(helping)
        raise
    if failed:
        raise failed[min(failed)]
    return [done[place] for place in range(len(items))]


def both(work: Callable[[], Result], other: Callable[[], Other]) -> tuple[Result, Other]:
    """What two different works give; raises what the first of them raises, else what the second does.

    >>> both(lambda: len("Ada"), lambda: "Ada".upper())
    (3, 'ADA')
    """
    helping = _helper().submit(other)
    try:
        first = work()
        return first, other() if helping.cancel() else helping.result()
    except BaseException:
        _ended(helping)
        raise


def _ended(helping: Future[Any]) -> None:
    """Never begun, or done."""
    if not helping.cancel():
        helping.exception()
