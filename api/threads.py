"""Calls in threads of their own that are waited for before what they use is closed.

A thread cannot be cancelled, only left alone. A task that is cancelled while its call runs would leave it with a
catalogue that somebody then closes under it.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from typing import Any, ParamSpec, TypeVar

from starlette.concurrency import run_in_threadpool

P = ParamSpec("P")
T = TypeVar("T")


class Threads:
    """Runs calls in threads and remembers those that have not ended, whoever still waits for them."""

    def __init__(self) -> None:
        self._begun: set[asyncio.Future[Any]] = set()

    async def run(self, call: Callable[P, T], *args: P.args, **named: P.kwargs) -> T:
        """What the call returns or raises. Where the waiting task is cancelled the call goes on."""
        begun = asyncio.ensure_future(run_in_threadpool(call, *args, **named))
        self._begun.add(begun)
        begun.add_done_callback(self._begun.discard)
        return await asyncio.shield(begun)

    async def ended(self) -> None:
        """Wait for every call that has begun."""
        await asyncio.gather(*self._begun, return_exceptions=True)
