"""Work on many machines: items in, results out in their order, by the workers of a Dask cluster.

The counterpart of `processes.in_order`: the same functions on the same items, so that results do not depend on where
they were worked out. A worker that is lost costs time only: its items go to the others. Every machine must see the
catalogue and the photos under the same paths, and run the same version.
"""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from itertools import islice
from pathlib import Path
from typing import Any, Self, TypeVar

from matcher.core.errors import PlatekinError
from matcher.core.parallel.limits import WorkLimits, ending
from matcher.core.parallel.processes import one_thread
from matcher.core.versions import versions

Item = TypeVar("Item")
Result = TypeVar("Result")

AHEAD = 4
"""Items sent for each thread of the cluster, so that none waits and results do not pile up."""

PATIENCE_S = 30
"""How long to wait for a scheduler, and for its first worker."""


class Cluster:
    """A connection to a running cluster; use as a context manager."""

    def __init__(self, address: str, client: Any) -> None:
        self.address = address
        self.client = client

    @classmethod
    def connect(cls, address: str, *folders: Path, patience: float = PATIENCE_S) -> Self:
        """Connect to a scheduler, as `tls://host:8786`, whose workers must see these folders.

        Without TLS only on this machine, as `tcp://127.0.0.1:8786`: Dask's messages are pickles, so whoever reaches a
        cluster can have it run any program. Certificates are Dask's own settings (distributed.comm.tls).
        Raises PlatekinError missing_part, open_cluster, no_cluster, cluster_differs, cluster_blind.
        """
        _check_closed(address)
        try:
            from distributed import Client
        except ImportError:
            message = "work on a cluster needs Dask, which is not installed"
            raise PlatekinError("missing_part", message, "pip install 'platekin[cluster]'") from None
        client = None
        try:
            client = Client(address, timeout=patience, set_as_default=False)
            client.wait_for_workers(1, timeout=patience)
        except (OSError, TimeoutError, ValueError) as error:
            if client is not None:
                client.close()
            message = f"{address}: no cluster with a worker answers there ({type(error).__name__})"
            raise PlatekinError("no_cluster", message, "start it: dask scheduler, and dask worker ADDRESS") from None
        made = cls(address, client)
        try:
            made._check([folder.resolve() for folder in folders])
        except PlatekinError:
            client.close()
            raise
        return made

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.client.close()

    def _check(self, folders: list[Path]) -> None:
        """Answers of another version, or of another catalogue, would be mixed with ours unnoticed."""
        for worker, (found, unseen) in self.client.run(_looks, folders).items():
            if found != _looks([])[0]:
                message = f"the worker {worker} runs other versions of platekin or its libraries"
                raise PlatekinError("cluster_differs", message, "install the same versions on every machine")
            if unseen:
                message = f"the worker {worker} does not see {unseen[0]}"
                todo = "put catalogue and photos on storage that every machine has under the same path"
                raise PlatekinError("cluster_blind", message, todo)

    def in_order(
        self, items: Iterable[Item], work: Callable[[Item], Result], lost: Callable[[Item], Result],
        limits: WorkLimits = WorkLimits(),
    ) -> Iterator[Result]:  # fmt: skip
        """What `work` gives for each item, in their order; `lost(item)` for one that has ended several workers.

        limits: of one item; a worker ends with an item that goes beyond them, and its nanny starts another. A cluster
        inside this process (`inproc://`) has none: it would end us.

        Raises PlatekinError no_cluster where the scheduler is lost, and whatever `work` raises.
        """
        from distributed import CancelledError, KilledWorker, wait
        from distributed.comm import CommClosedError

        held = None if self.address.startswith("inproc") else limits
        left, flying = iter(items), deque[tuple[Item, Any]]()
        try:
            while True:
                room = AHEAD * max(1, sum(self.client.nthreads().values()))
                for item in islice(left, max(0, room - len(flying))):
                    flying.append((item, self.client.submit(_alone, work, item, held, pure=False)))
                if not flying:
                    return
                item, future = flying.popleft()
                try:
                    result = future.result()
                except KilledWorker:
                    with self.client.as_current():
                        wait([one for _, one in flying])
                    result = self._by_itself(item, work, lost, held)
                yield result
        except (CancelledError, CommClosedError, OSError) as error:
            if isinstance(error, OSError) and self.client.status == "running":
                raise
            message = f"{self.address}: the cluster's scheduler was lost"
            raise PlatekinError(
                "no_cluster", message, "start it again, then run the same command: it resumes"
            ) from error
        finally:
            if self.client.status == "running":
                self.client.cancel([future for _, future in flying])

    def _by_itself(
        self, item: Item, work: Callable[[Item], Result], lost: Callable[[Item], Result], limits: WorkLimits | None
    ) -> Result:
        """With nothing beside it, it is clear whose fault a lost worker is: Dask blames all that it had in hand."""
        from distributed import KilledWorker

        try:
            result: Result = self.client.submit(_alone, work, item, limits, pure=False).result()
        except KilledWorker:
            return lost(item)
        return result


def _check_closed(address: str) -> None:
    """Refuse a cluster that others could reach without a certificate. Raises PlatekinError open_cluster."""
    scheme, _, rest = address.rpartition("://")
    host = rest.rsplit(":", 1)[0].strip("[]")
    if scheme in ("tls", "inproc") or host in ("localhost", "::1") or host.startswith("127."):
        return
    why = f"{address}: without TLS, whoever reaches this cluster can have it run programs, and read what is sent"
    todo = "start scheduler and workers with --tls-ca-file, --tls-cert and --tls-key, and name tls://HOST:PORT"
    raise PlatekinError("open_cluster", why, todo)


def _alone(work: Callable[[Item], Result], item: Item, limits: WorkLimits | None) -> Result:
    """On a worker: with one computing thread and within limits, as in every process that works."""
    one_thread()
    if limits is None:
        return work(item)
    with _one_at_a_time, ending(limits):
        return work(item)


_one_at_a_time = threading.Lock()
"""A worker's threads share its memory and its processor time: what one item uses would be counted to another."""


def _looks(folders: list[Path]) -> tuple[dict[str, str], list[str]]:
    """Versions of what a process works with, and the folders that it does not see."""
    return versions(), [str(folder) for folder in folders if not folder.exists()]
