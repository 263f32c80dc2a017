"""kill -9 at random moments: enrolling, lots, decisions, imports, merges; on SQLite or PostgreSQL.

A process works on a catalogue and notes, in a file of its own, what it was told is done; it is killed, and started
again, some hundred times. Then everything that was acknowledged has to be there, nothing twice, and `check` clean.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import shutil
import signal
import tempfile
import time
import traceback
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from sqlalchemy import create_engine, make_url

from matcher.catalogue import Catalogue
from matcher.catalogue.exchange.bag import export_bag, import_bag
from matcher.catalogue.exchange.check import check
from matcher.catalogue.finds.resolution import RecordFields, accept, find, merge
from matcher.catalogue.log.decisions import AskedBefore, person
from matcher.catalogue.records.corrections import edit_record, merge_records
from matcher.catalogue.tables.database import URL_FILE
from matcher.core.errors import CatalogueError
from matcher.core.settings import Settings
from matcher.jobs.lot import store
from matcher.jobs.lot.job_queue import Sent, receive
from matcher.lab.benchmarks.stock import a_find, draw, enrol_whole, row, write_table

WHO = person("campaign")


@dataclass
class Kills:
    """killed: how often. acknowledged: what the killed were told is done. lost, double: of these; unclean: checks."""

    killed: dict[str, int] = field(default_factory=dict)
    acknowledged: int = 0
    lost: list[str] = field(default_factory=list)
    double: list[str] = field(default_factory=list)
    unclean: list[str] = field(default_factory=list)

    @property
    def line(self) -> str:
        """One line for the table."""
        kinds = ", ".join(f"{name} {count}" for name, count in sorted(self.killed.items()))
        return (
            f"kill -9 at {sum(self.killed.values())} moments ({kinds}): {self.acknowledged} acknowledged, "
            f"{len(self.lost)} lost, {len(self.double)} double, {len(self.unclean)} checks not clean"
        )


class Work:
    """What one killed process does in a folder, and what it was told is done, by key."""

    def __init__(self, folder: Path, number: int) -> None:
        self.folder, self.number = folder, number
        self.catalogue = folder / "catalogue"

    def acknowledged(self) -> int:
        """How often this and earlier processes have written something down."""
        path = self.folder / "acknowledged"
        return path.read_bytes().count(b"\n") if path.exists() else 0

    def done(self, key: str, value: object) -> None:
        """Acknowledged: written down so that a kill cannot take it back."""
        with (self.folder / "acknowledged").open("a") as stream:
            stream.write(json.dumps([key, value]) + "\n")
            stream.flush()
            os.fsync(stream.fileno())


def enrolling(work: Work) -> None:
    """Two records of a table, one after the other; the same numbers come again after a kill."""
    first = 10 + 2 * (work.number % 40)
    pictures = work.folder / "pictures"
    rows = [row(n, draw(pictures / f"s{n}.png", 1000 + n)) for n in (first, first + 1)]
    table = write_table(pictures / f"t{os.getpid()}.csv", rows)
    report = enrol_whole(table, work.catalogue)
    for one in rows:
        if report.added + report.unchanged == len(rows):
            work.done(f"record {one['record_id']}", one["subject"])


def deciding(work: Work) -> None:
    """A note of a record, under an Idempotency-Key that comes again after a kill."""
    with Catalogue.open(work.catalogue) as catalogue:
        for step in range(3):
            key = f"k{work.number // 2}-{step}"
            try:
                made = edit_record(catalogue, "V000", {"note": key}, WHO, idempotency=(key, key)).number
            except AskedBefore as before:
                made = before.number
            work.done(f"decision {key}", made)


def finding(work: Work) -> None:
    """A find proposed and accepted."""
    with Catalogue.open(work.catalogue) as catalogue:
        found = a_find(catalogue, work.folder / "pictures", 5000 + work.number // 2)
        work.done(f"find {found.find_id}", found.sha256)
        if found.state == "open":
            key = f"a{found.find_id}"
            wanted = RecordFields(caption=f"caption {work.number}", crop=f"C{work.number}")
            accept(catalogue, found.find_id, WHO, wanted, idempotency=(key, key))
        work.done(f"accepted {found.find_id}", found.sha256)


def merging(work: Work) -> None:
    """A find merged into a record, then two records merged."""
    with Catalogue.open(work.catalogue) as catalogue:
        found = a_find(catalogue, work.folder / "pictures", 7000 + work.number // 2)
        if found.state == "open":
            merge(catalogue, found.find_id, "V000", WHO)
        work.done(f"accepted {found.find_id}", found.sha256)
        gone = [r.record_id for r in catalogue.records() if r.record_id.startswith("V0") and int(r.record_id[1:]) >= 10]
        if len(gone) > 4:
            merge_records(catalogue, gone[-1], gone[-2], WHO)
            work.done(f"gone {gone[-1]}", gone[-2])


def sending(work: Work) -> None:
    """Photos into a lot."""
    with Catalogue.open(work.catalogue) as catalogue:
        lot = store.make_lot(
            catalogue, f"key{work.number // 4}", "box", "campaign", [], {"sides": "names"}, served=True
        )
        for step in range(3):
            name = draw(work.folder / "pictures" / f"lot{work.number // 2}-{step}.png", 9000 + work.number * 3 + step)
            data = (work.folder / "pictures" / name).read_bytes()
            receive(catalogue, lot, [Sent(f"{work.number}-{name}", data)], Settings())
            work.done(f"photo {lot.lot_id} {work.number}-{name}", len(data))


def importing(work: Work) -> None:
    """The catalogue exported, and brought into an empty one; what is brought in is all of it or nothing."""
    bag, other = work.folder / f"bag{os.getpid()}", work.folder / f"other{os.getpid()}"
    with Catalogue.open(work.catalogue) as catalogue:
        export_bag(catalogue, bag)
    with Catalogue.open(other, create=True) as again:
        import_bag(again, bag)
        work.done(f"import {other.name}", again.last_decision())


KINDS: dict[str, Callable[[Work], None]] = {
    one.__name__: one for one in (enrolling, deciding, finding, merging, sending, importing)
}


def run(
    folder: Path, kills: int, seed: int, longest_s: float = 0.35, tell: Callable[[str], None] = print,
    server: str = "", seconds: float = float("inf"),
) -> Kills:  # fmt: skip
    """So many kills, looked at after every fortieth try; the folder must not be there yet.

    server: address of a PostgreSQL database, in which the catalogue then has a schema of its own. seconds: no new kill
    after that; what was killed until then is looked at and counted.
    """
    rng, found = random.Random(seed), Kills()
    (folder / "catalogue").mkdir(parents=True)
    if server:
        (folder / "catalogue" / URL_FILE).write_text(own_schema(server, f"kills{os.getpid()}"))
    rows = [row(n, draw(folder / "pictures" / f"s{n}.png", 1000 + n)) for n in range(4)]
    enrol_whole(write_table(folder / "pictures" / "t.csv", rows), folder / "catalogue")
    number, ends = 0, time.monotonic() + seconds
    while sum(found.killed.values()) < kills and time.monotonic() < ends:
        kind = rng.choice(sorted(KINDS))
        # By what it has been told, not by the clock alone: so each gets somewhere, however busy the machine is.
        told = rng.randrange(3)
        if _killed(Work(folder, number), KINDS[kind], told, rng.uniform(0.0, 0.05 if told else longest_s)):
            found.killed[kind] = found.killed.get(kind, 0) + 1
        number += 1
        if number % 40 == 0:
            _look(folder, found)
            tell(found.line)
    _look(folder, found)
    return found


def own_schema(server: str, name: str) -> str:
    base = make_url(server)
    engine = create_engine(base)
    with engine.begin() as connection:
        connection.exec_driver_sql(f"DROP SCHEMA IF EXISTS {name} CASCADE")
        connection.exec_driver_sql(f"CREATE SCHEMA {name}")
    engine.dispose()
    return base.update_query_dict({"options": f"-csearch_path={name}"}).render_as_string(hide_password=False)


def _killed(work: Work, what: Callable[[Work], None], told: int, seconds: float) -> bool:
    """Work in a forked process, killed so long after it was told so often that something is done; False where it had
    ended before."""
    before = work.acknowledged()
    child = os.fork()
    if child == 0:
        try:
            what(work)
        except CatalogueError as error:
            if error.code not in ("clash", "nothing_changed", "already_decided", "in_the_way"):
                traceback.print_exc()
        except BaseException:
            traceback.print_exc()
        finally:
            os._exit(0)
    while told and work.acknowledged() < before + told:
        if os.waitpid(child, os.WNOHANG)[0]:
            return False
        time.sleep(0.002)
    time.sleep(seconds)
    if os.waitpid(child, os.WNOHANG)[0]:
        return False
    os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)
    return True


def _look(folder: Path, found: Kills) -> None:
    """Is all that was acknowledged there, once? Is the catalogue clean, once somebody has written to it?"""
    path = folder / "acknowledged"
    told = [json.loads(line) for line in path.read_text().splitlines()] if path.exists() else []
    with Catalogue.open(folder / "catalogue") as catalogue:
        with catalogue.writing(10):  # the next writer clears what a killed one has left
            pass
        found.unclean += [f"{one.kind} {one.what}" for one in check(catalogue)]
        records = {record.record_id for record in catalogue.records()}
        merged = {key.removeprefix("gone ") for key, _ in told if key.startswith("gone ")}
        made: dict[str, set[int]] = {}
        for key, value in told:
            kind, _, name = key.partition(" ")
            if kind == "record" and name not in records and not _merged_away(catalogue, name, merged):
                found.lost.append(key)
            if kind == "decision":
                made.setdefault(name, set()).add(value)
                found.lost += [] if catalogue.decision(value).about == "V000" else [key]
            if kind in ("find", "accepted"):
                _look_at_find(catalogue, name, kind, value, found)
            if kind == "photo":
                _look_at_photo(catalogue, name, value, found)
        found.double += [name for name, numbers in made.items() if len(numbers) > 1]
        hashes = [(r.record_id, r.sha256) for r in catalogue.references()]
        found.double += [f"reference {one}" for one in set(hashes) if hashes.count(one) > 1]
    for key, value in told:
        if key.startswith("import "):
            with Catalogue.open(folder / key.removeprefix("import ")) as again:
                found.lost += [key] if again.last_decision() != value else []
                found.unclean += [f"{key}: {one.kind} {one.what}" for one in check(again)]
    for left in (*folder.glob("bag*"), *folder.glob("other*")):
        shutil.rmtree(left, ignore_errors=True)
    found.acknowledged += len(told)
    path.unlink(missing_ok=True)


def _merged_away(catalogue: Catalogue, name: str, merged: set[str]) -> bool:
    """A record may be gone since a later decision merged it, told or not: the log says so."""
    return name in merged or any(
        change.table == "records" and change.key == (name,) and change.after is None
        for decision in catalogue.decisions(actions=("merge_records",))
        for change in decision.changes
    )


def _look_at_find(catalogue: Catalogue, name: str, kind: str, sha256: str, found: Kills) -> None:
    try:
        held = find(catalogue, name)
    except CatalogueError:
        found.lost.append(f"{kind} {name}")
        return
    if held.sha256 != sha256 or not catalogue.image_path(held).is_file():
        found.lost.append(f"{kind} {name}")
    if kind == "accepted" and held.state not in ("accepted", "merged", "rejected"):
        found.lost.append(f"{kind} {name}")


def _look_at_photo(catalogue: Catalogue, name: str, size: int, found: Kills) -> None:
    lot_id, _, photo = name.partition(" ")
    rows = [item for item in store.items(catalogue, lot_id) if item.name == photo]
    if not rows or not rows[0].path.is_file() or rows[0].path.stat().st_size != size:
        found.lost.append(f"photo {name}")
    if len(rows) > 1:
        found.double.append(f"photo {name}")


def main() -> None:
    """Kill so often; exit 1 where something was lost, done twice, or not clean."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--kills", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--server", default="", help="a PostgreSQL database: postgresql+psycopg://user@host/name")
    parser.add_argument("--longest", type=float, default=0.35, help="seconds until a kill, at most")
    parser.add_argument("--seconds", type=float, default=float("inf"), help="no new kill after that")
    chosen = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        found = run(
            Path(scratch) / "work",
            chosen.kills,
            chosen.seed,
            chosen.longest,
            server=chosen.server,
            seconds=chosen.seconds,
        )
    for what in (*found.lost, *found.double, *found.unclean):
        print(what)
    print(found.line)
    raise SystemExit(bool(found.lost or found.double or found.unclean))


if __name__ == "__main__":
    main()
