"""Words and marks judged on whole photos: folders of pictures, typefaces and a seed in; rows and a table out.

    OUTPUT/set/            references with their table, query photos
    OUTPUT/catalogue/      what they were enrolled into
    OUTPUT/rows.jsonl      one row a query, written as soon as it is known

Stopped, the same call goes on; `again` judges the same photos anew.
"""

from __future__ import annotations

import csv
import json
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from matcher.catalogue.records.enrol import enrol
from matcher.catalogue.records.files import write_whole
from matcher.catalogue.reference_set import CatalogueReferences
from matcher.core.answer import answer_of
from matcher.core.answer_json import to_json
from matcher.core.calibration import Calibration
from matcher.core.identify import identify
from matcher.core.ladder.mark import NO_MARK
from matcher.core.parallel.processes import process_pool
from matcher.core.photo import read_photo
from matcher.core.settings import Settings
from matcher.lab.evaluation.lettering_set import (
    ASKED,
    LetteringQuery,
    LetteringRecord,
    draw_lettering_query,
    drawn_card,
    lettering_plan,
)
from matcher.lab.evaluation.negatives import Negative
from matcher.lab.evaluation.query_judge import nearest_card
from matcher.lab.evaluation.run import mend, read_rows
from matcher.lab.synthesis import scan, write_scan
from matcher.lab.synthesis.photographing import Shot
from matcher.lab.synthesis.type_cases import Typeface

Say = Callable[[str], None]


COLUMNS = ("record_id", "subject", "pose", "crop", "caption", "image", "club", "mark", "copy")


def draw_lettering_references(records: Sequence[LetteringRecord], types: Sequence[Typeface], folder: Path) -> Path:
    """Scans of the records that are not there yet, and their table; returns the table's path."""
    for record in records:
        path = folder / "references" / f"{record.record_id}.jpg"
        if not path.is_file():
            shot = scan(drawn_card(record.card, types, 300 / 25.4), np.random.default_rng([record.card.seed, 3]))
            write_whole(path, write_scan(shot), keep=False)
    table = folder / "records.csv"
    with table.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.DictWriter(stream, COLUMNS)
        writer.writeheader()
        for record in records:
            wording = record.card.wording
            writer.writerow(
                {
                    "record_id": record.record_id,
                    "subject": record.card.negative.sitter,
                    "pose": f"P{record.record_id[1:]}",
                    "crop": "A",
                    "caption": wording.name,
                    "club": wording.club,
                    "mark": wording.mark.words if wording.mark else NO_MARK,
                    "image": f"references/{record.record_id}.jpg",
                    "copy": record.record_id,
                }
            )
    return table


@dataclass(frozen=True)
class LetteringJudge:
    """What a process judges with; the catalogue is opened at its first query."""

    catalogue: Path
    photos: Path
    types: tuple[Typeface, ...]
    calibration: Calibration

    def __call__(self, query: LetteringQuery) -> dict[str, Any]:
        data, shot = self._photo(query)
        photo = read_photo(data, name=f"{query.query_id}.jpg")
        references, settings = _references(self.catalogue)
        started = time.perf_counter()
        found = identify(photo, references, settings, self.calibration)
        seconds = time.perf_counter() - started
        card, _ = nearest_card(found, shot) if shot else (found.cards[0] if found.cards else None, None)
        answer = None
        if card is not None:
            number = next(k for k, one in enumerate(found.cards) if one is card)
            answer = to_json(answer_of(photo.name, found).cards[number])
        return {"query": query.query_id, "truth": query.truth, "seconds": round(seconds, 4), "answer": answer}

    def _photo(self, query: LetteringQuery) -> tuple[bytes, Shot | None]:
        path = self.photos / f"{query.query_id}.jpg"
        if path.is_file():
            return path.read_bytes(), None
        data, shot = draw_lettering_query(query, self.types)
        write_whole(path, data, keep=False)
        return data, shot


_opened: dict[Path, tuple[CatalogueReferences, Settings]] = {}


def _references(folder: Path) -> tuple[CatalogueReferences, Settings]:
    """Opened once a process."""
    if folder not in _opened:
        settings = Settings()
        _opened[folder] = (CatalogueReferences.open(folder, settings), settings)
    return _opened[folder]


def run_lettering(
    negatives: Sequence[Negative],
    types: Sequence[Typeface],
    output: Path,
    queries: int,
    seed: int,
    *,
    calibration: Calibration,
    asked: Sequence[str] = ASKED,
    workers: int = 2,
    again: bool = False,
    say: Say = lambda _: None,
) -> list[dict[str, Any]]:
    """All rows, in the order of the queries. asked: what of each negative, in turn."""
    records, plan = lettering_plan(negatives, types, queries, seed, asked=asked)
    folder = output.resolve()
    if again:
        (folder / "rows.jsonl").unlink(missing_ok=True)
    (folder / "set").mkdir(parents=True, exist_ok=True)
    table = draw_lettering_references(records, types, folder / "set")
    if not (folder / "catalogue").exists():
        enrol(table, folder / "catalogue", workers=0)
    rows_file = folder / "rows.jsonl"
    mend(rows_file)
    done = {row["query"]: row for row in read_rows(folder)}
    mixed = [plan[int(k)] for k in np.random.default_rng(seed).permutation(len(plan))]  # a run that stops tells too
    left = [query for query in mixed if query.query_id not in done]
    say(f"{len(records)} records enrolled; {len(left)} of {len(plan)} to judge")
    judge = LetteringJudge(folder / "catalogue", folder / "set" / "queries", tuple(types), calibration)
    with rows_file.open("a", encoding="utf-8") as stream, process_pool(workers) as pool:
        for number, row in enumerate(pool.map(judge, left), start=1):
            stream.write(json.dumps(row, ensure_ascii=False) + "\n")
            stream.flush()
            done[row["query"]] = row
            if number % 40 == 0:
                say(f"{number} of {len(left)} judged")
    return [done[query.query_id] for query in plan if query.query_id in done]
