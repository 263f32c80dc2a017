"""What /v1/health says, looked up beside the requests: who asks is answered at once, however busy everything is.

The catalogue is read every LOOK_S on a thread of its own, and with it the tokens of those who ask again and again, so
that neither a thread nor the database is waited for. Whoever asks for the first time waits for one look at the
database, on threads that nothing else uses.
"""

from __future__ import annotations

import asyncio
import json
import logging
from collections.abc import Callable, Iterable, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from datetime import UTC, datetime

from api.problems import Problem
from matcher.catalogue import Catalogue
from matcher.catalogue.records.queries import Counts
from matcher.catalogue.tokens import TokenRow
from matcher.core.describe import fingerprint
from matcher.core.errors import CatalogueError, PlatekinError

log = logging.getLogger("platekin")

LOOK_S = 1.0
"""So old what is said may be. So long, a token that was taken away may still ask how the service is; nothing else."""

STALE_S = 30.0
"""Without a look that came back, the catalogue counts as out of reach."""

ASKED_S = 60.0
MOST_CALLERS = 64


@dataclass(frozen=True)
class Given:
    """What a request brings to say who asks: its Authorization header, and a browser's cookie."""

    header: str
    cookie: str


@dataclass(frozen=True)
class IndexFacts:
    """The stored index by its own facts; current: no worker has to make it anew when it starts."""

    references: int
    kind: str | None
    current: bool


@dataclass(frozen=True)
class Facts:
    """decision: number of the log's last entry when the rest was counted."""

    decision: int
    counts: Counts
    index: IndexFacts


@dataclass(frozen=True)
class _Caller:
    row: TokenRow
    asked_at: float


class Board:
    """One a service, on its loop's own thread. look_up: whose token it is; raises Problem no_token."""

    def __init__(self, catalogue: Catalogue, look_up: Callable[[Catalogue, Given], TokenRow]) -> None:
        self._catalogue = catalogue
        self._look_up = look_up
        self._looking = ThreadPoolExecutor(1, "health")
        self._asking = ThreadPoolExecutor(2, "health")
        self._facts: Facts | PlatekinError = CatalogueError("unreachable", "the catalogue was not read yet")
        self._looked_at = float("-inf")
        self._callers: dict[Given, _Caller] = {}

    async def run(self) -> None:
        """Until cancelled."""
        while True:
            await self.look()
            await asyncio.sleep(LOOK_S)

    async def look(self) -> None:
        """Read the catalogue anew; what goes wrong is what is said from then on."""
        loop = asyncio.get_running_loop()
        asked = {given: one for given, one in self._callers.items() if loop.time() - one.asked_at < ASKED_S}
        try:
            facts, rows = await loop.run_in_executor(self._looking, self._look, list(asked))
        except PlatekinError as error:
            self._facts = error
        except Exception:
            log.exception("health: unexpected")
            self._facts = CatalogueError("unexpected", "the catalogue could not be read")
        else:
            self._facts = facts
            came = {given: one for given, one in self._callers.items() if given not in asked}
            kept = {given: _Caller(row, asked[given].asked_at) for given, row in rows.items()}
            self._callers = {**kept, **{given: one for given, one in came.items() if one.asked_at > self._looked_at}}
        self._looked_at = loop.time()

    def facts(self) -> Facts:
        """As of the last look. Raises CatalogueError as that did, or unreachable where none came back for long."""
        if asyncio.get_running_loop().time() - self._looked_at > STALE_S:
            raise CatalogueError("unreachable", "the catalogue's database does not answer", "see that it is there")
        if isinstance(self._facts, PlatekinError):
            raise self._facts.with_traceback(None)
        return self._facts

    async def caller(self, given: Given) -> TokenRow:
        """Whose token this is; at once for whoever asked lately. Raises Problem no_token, and CatalogueError."""
        loop = asyncio.get_running_loop()
        known = self._callers.get(given)
        row = known.row if known else await loop.run_in_executor(self._asking, self._look_up, self._catalogue, given)
        if row.ended(datetime.now(UTC)):
            row = await loop.run_in_executor(self._asking, self._look_up, self._catalogue, given)
        if known or len(self._callers) < MOST_CALLERS:
            self._callers[given] = _Caller(row, loop.time())
        return row

    async def close(self) -> None:
        """Wait for what is being read: the catalogue is closed next."""
        for threads in (self._looking, self._asking):
            await asyncio.to_thread(threads.shutdown, cancel_futures=True)

    def _look(self, asked: Iterable[Given]) -> tuple[Facts, Mapping[Given, TokenRow]]:
        decision, before = self._catalogue.last_decision(), self._facts
        same = isinstance(before, Facts) and before.decision == decision
        counts = before.counts if same and isinstance(before, Facts) else self._catalogue.counts()
        rows = {}
        for given in asked:
            try:
                rows[given] = self._look_up(self._catalogue, given)
            except Problem:  # it was taken away
                continue
        return Facts(decision, counts, index_facts(self._catalogue, counts.references)), rows


def index_facts(catalogue: Catalogue, references: int) -> IndexFacts:
    """From the stored index's own facts: loading it only to look would cost hundreds of megabytes."""
    try:
        facts = json.loads((catalogue.folder / "index" / "index.json").read_text())
        stored, kind, made_by = int(facts["references"]), str(facts["kind"]), facts["fingerprint"]
    except (OSError, ValueError, KeyError, TypeError):
        return IndexFacts(0, None, references == 0)
    return IndexFacts(stored, kind, made_by == fingerprint() and stored == references)
