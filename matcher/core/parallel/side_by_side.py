"""Parts of one photo's work on two threads of its process.

For work that leaves Python while it computes, as the libraries' networks do: one photo alone is answered sooner, and
where every processor has a photo of its own the same is computed, neither more nor less.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import TypeVar

Item = TypeVar("Item")
Result = TypeVar("Result")
Other = TypeVar("Other")

THREADS = 2
"""The product is meant for two processors; own choice."""


def side_by_side(work: Callable[[Item], Result], items: Sequence[Item]) -> list[Result]:
    """`work` of each item, in the items' order; raises what the first one that fails raises.

    >>> side_by_side(len, ["Ada", "Brell"])
    [3, 5]
    """
    if len(items) < 2:
        return [work(item) for item in items]
    with ThreadPoolExecutor(THREADS) as threads:
        return list(threads.map(work, items))


def both(work: Callable[[], Result], other: Callable[[], Other]) -> tuple[Result, Other]:
    """What two different works give; raises what the first of them raises, else what the second does.

    >>> both(lambda: len("Ada"), lambda: "Ada".upper())
    (3, 'ADA')
    """
    with ThreadPoolExecutor(1) as thread:
        waiting = thread.submit(other)
        return work(), waiting.result()
