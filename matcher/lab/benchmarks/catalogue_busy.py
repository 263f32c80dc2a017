"""The process that `measure_catalogue` kills: works on the catalogue WORK/mine, and says what is done in WORK/said.

Every decision carries a note of its own; a note is written to `said` only after the catalogue has said it is done.
"""

from __future__ import annotations

import os
import random
import shutil
from pathlib import Path

from matcher.catalogue import Catalogue, undo_redo
from matcher.catalogue.exchange.bag import export_bag, import_bag
from matcher.catalogue.finds.resolution import RecordFields, accept, finds
from matcher.catalogue.log.decisions import person
from matcher.catalogue.records.corrections import merge_records
from matcher.lab.benchmarks.stock import a_find, draw, enrol_whole, row, write_table

ADA = person("Ada Quill")
RUNS = 12


def busy(work: Path, seed: int) -> None:
    """Work until some dozens of decisions are made, then leave the file `finished`."""
    rng = random.Random(seed)
    with Catalogue.open(work / "mine", create=True) as catalogue:
        while catalogue.last_decision() < RUNS * 6:
            step = catalogue.last_decision()
            number = step + 1000 * rng.randrange(1, 10**5)
            scan = draw(work / f"s{number}.png", number)
            columns = {"pose": f"P{step}", "subject": f"S{step}", "record_id": f"V{number}", "caption": str(number)}
            table = write_table(work / "t.csv", [row(0, scan, **columns)])
            enrol_whole(table, work / "mine")
            found = a_find(catalogue, work, number + 1, "new_pose")
            for one in finds(catalogue, "open"):
                note = f"accept-{number}-{one.find_id}"
                wanted = RecordFields(subject=f"T{number}{one.find_id}", caption=note)
                decision = accept(catalogue, one.find_id, ADA, wanted, note=note)
                say(work, note)
                if rng.random() < 0.4:
                    note = f"undo-{decision.number}"
                    undo_redo.undo(catalogue, [decision.number], ADA, note=note)
                    say(work, note)
                    note = f"redo-{decision.number}"
                    undo_redo.redo(catalogue, [decision.number], ADA, note=note)
                    say(work, note)
            records = [record.record_id for record in catalogue.records()]
            if len(records) > 3:
                note = f"merge-{number}"
                merge_records(catalogue, records[0], records[1], ADA, note=note)
                say(work, note)
            bring(catalogue, work)
            assert found
    (work / "finished").touch()


def bring(catalogue: Catalogue, work: Path) -> None:
    """Export, and import what is new into a second catalogue."""
    shutil.rmtree(work / "bag", ignore_errors=True)
    export_bag(catalogue, work / "bag")
    with Catalogue.open(work / "brought", create=True) as brought:
        import_bag(brought, work / "bag")


def say(work: Path, note: str) -> None:
    with (work / "said").open("a") as stream:
        stream.write(note + "\n")
        stream.flush()
        os.fsync(stream.fileno())
