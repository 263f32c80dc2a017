"""The service's work on lots: photos from their queue into the one queue of workers, answers back to the store.

It lives as long as the service. What was not answered when that ends waits in the store for the next one. Only one
service a catalogue works on lots at a time.
"""

from __future__ import annotations

import asyncio
import logging
from contextlib import suppress

from api.threads import Threads
from api.work_queue import WorkQueue
from matcher.catalogue.records.files import only_writer
from matcher.core.answer import PhotoAnswer, failed_answer
from matcher.core.errors import Busy, CatalogueError, PlatekinError
from matcher.jobs.job import Job
from matcher.jobs.lot import store
from matcher.jobs.lot.job_queue import LotQueue, Stopped

log = logging.getLogger("platekin")

LOOK_AGAIN_S = 2.0
"""How often the store is asked where nothing has woken the worker: another process may have queued something."""

TRY_AGAIN_S = 0.2


class LotWorker:
    """Works on lots with at most `at_once` photos at a time; timeout: seconds for one of them.

    threads: where its calls to the catalogue run; whoever closes the catalogue waits for them first.
    """

    def __init__(self, lots: LotQueue, queue: WorkQueue, threads: Threads, at_once: int, timeout: float) -> None:
        self._lots, self._queue, self._at_once, self._timeout = lots, queue, at_once, timeout
        self._woken = asyncio.Event()
        self._finishing = asyncio.Lock()
        self._again = asyncio.Lock()
        self._in_thread = threads.run

    def wake(self) -> None:
        """Something was queued. Call it on the loop's own thread."""
        self._woken.set()

    def stop(self) -> None:
        """The service ends: what takes long is given up, and gone on with at its next start."""
        self._lots.stop()

    async def run(self) -> None:
        """Until cancelled."""
        while True:
            try:
                folder = self._lots.catalogue.folder / store.FOLDER
                folder.mkdir(parents=True, exist_ok=True)
                with only_writer(folder):  # raises where another service works on lots
                    await self._work()
            except CatalogueError as error:
                if error.code != "locked":
                    log.error("lots: %s: %s", error.code, error)
            except Exception:  # whatever it is, lots are worked on again in a moment
                log.exception("lots: unexpected")
            await asyncio.sleep(LOOK_AGAIN_S)

    async def _work(self) -> None:
        for lot_id in await self._in_thread(self._lots.unfinished):
            await self._finish(lot_id)
        async with asyncio.TaskGroup() as tasks:
            for _ in range(self._at_once):
                tasks.create_task(self._one_after_another())

    async def _one_after_another(self) -> None:
        while True:
            try:
                worked = await self._one()
            except PlatekinError as error:
                log.error("lots: %s: %s", error.code, error)
                worked = False
            except Exception:  # one odd photo must not end the work on all others
                log.exception("lots: unexpected")
                worked = False
            if not worked:
                self._woken.clear()
                with suppress(TimeoutError):
                    async with asyncio.timeout(LOOK_AGAIN_S):  # `wait_for` of Python 3.11 can lose a cancellation
                        await self._woken.wait()

    async def _one(self) -> bool:
        """Do one photo; False where none waits."""
        item = await self._in_thread(self._lots.take)
        if item is None:
            return False
        job = self._lots.job(item)
        try:
            answer = await self._answer(job)
        except Busy:
            self._lots.give_back(item)
            await asyncio.sleep(TRY_AGAIN_S)
            return True
        except CatalogueError:
            self._lots.give_back(item)
            raise
        except PlatekinError as error:  # it took too long, or ended its worker twice: that is this photo's answer
            answer = failed_answer(job.name, error)
        except Exception as error:  # a mistake of ours must not come up again with every look at the queue
            log.exception("lots: unexpected")
            message = f"{job.name}: {type(error).__name__}"
            answer = failed_answer(job.name, PlatekinError("unexpected", message, "please report this, with the photo"))
        except BaseException:  # the service ends
            self._lots.give_back(item)
            raise
        if await self._in_thread(self._lots.keep, item, answer):
            await self._finish(item.lot_id)
        return True

    async def _answer(self, job: Job) -> PhotoAnswer:
        """One photo's answer; one whose process was lost is tried once more, by itself: it may be innocent."""
        try:
            return (await self._queue.answer(job, self._timeout)).answer
        except PlatekinError as error:
            if error.code != "worker_lost":
                raise
        async with self._again:
            return (await self._queue.answer(job, self._timeout)).answer

    async def _finish(self, lot_id: str) -> None:
        """What is wrong with one lot is that lot's affair: it is tried again when something of it is done, or later."""
        try:
            async with self._finishing:
                await self._in_thread(self._lots.finish, lot_id)
        except Stopped:
            return
        except PlatekinError as error:
            log.error("lots: %s could not be finished: %s: %s", lot_id, error.code, error)
        except Exception:
            log.exception("lots: %s could not be finished", lot_id)
