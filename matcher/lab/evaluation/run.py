"""A whole evaluation: folders and a seed in; a folder with the set, the catalogue, all rows and the table out.

    OUTPUT/set.json        what was asked for; another set goes into another folder
    OUTPUT/set/            references with their table, query photos
    OUTPUT/catalogue/      what they were enrolled into
    OUTPUT/rows.jsonl      one row a query, written as soon as it is known
    OUTPUT/table.txt, table.json, reliability.png

Stopped at any moment, the same call goes on where it was.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Sequence
from dataclasses import asdict, dataclass
from functools import partial
from pathlib import Path
from typing import Any
from uuid import uuid4

from matcher.catalogue.records.enrol import enrol
from matcher.catalogue.records.enrol_report import EnrolReport
from matcher.core.calibration import Calibration
from matcher.core.errors import BadTable, PlatekinError
from matcher.core.parallel.cluster import Cluster
from matcher.core.parallel.processes import process_pool
from matcher.lab.evaluation.draw import draw_references
from matcher.lab.evaluation.negatives import read_negatives
from matcher.lab.evaluation.plan import EvaluationPlan, PlannedQuery, make_plan
from matcher.lab.evaluation.query_judge import JudgeSetup, judge_at
from matcher.lab.manifests import Role

Say = Callable[[str], None]


@dataclass(frozen=True)
class EvaluationRequest:
    """What is asked for. role, manifests: which of the folders' pictures are taken, see `manifests.take`."""

    folders: tuple[str, ...]
    group: str
    queries: int
    seed: int
    fonts: tuple[str, ...] = ("",)
    calibration: str = ""
    role: Role = "report"
    manifests: tuple[str, ...] = ()


def evaluate(
    request: EvaluationRequest,
    output: Path,
    *,
    workers: int = 2,
    again: bool = False,
    say: Say = lambda _: None,
    cluster: Cluster | None = None,
) -> list[dict[str, Any]]:
    """All rows of an evaluation, in the order of the queries.

    again: judge all of them anew, on the set that is there. cluster: judges the queries, if given.
    Raises BadTable where the folders cannot be used, or where `output` holds another evaluation.
    """
    plan = plan_of(request)
    _claim(request, output)
    if again:
        (output / "rows.jsonl").unlink(missing_ok=True)
    report = _enrolled(plan, output, workers, say)
    mend(output / "rows.jsonl")
    done = {row["query"]: row for row in read_rows(output)}
    left = [query for query in plan.queries if query.query_id not in done]
    say(f"{report.records} records enrolled, {len(report.failed)} failed; {len(left)} of {len(plan.queries)} to judge")
    calibration = Calibration.load(Path(request.calibration) if request.calibration else None)
    whole = output.resolve()
    made = JudgeSetup(uuid4().hex, plan, whole / "catalogue", whole / "set" / "queries", calibration)
    with (output / "rows.jsonl").open("a", encoding="utf-8") as stream:
        for number, row in enumerate(_judged(left, made, workers, cluster), start=1):
            line = json.dumps(row, ensure_ascii=False)
            stream.write(line + "\n")
            stream.flush()
            done[row["query"]] = json.loads(line)  # as it will be read again
            if number % 20 == 0:
                say(f"{number} of {len(left)} judged")
    return [done[query.query_id] for query in plan.queries]


def _judged(
    queries: Sequence[PlannedQuery], made: JudgeSetup, workers: int, cluster: Cluster | None
) -> Iterator[dict[str, Any]]:
    if cluster is not None:
        yield from cluster.in_order(queries, partial(judge_at, made), _lost)
        return
    with process_pool(workers) as pool:
        yield from pool.map(partial(judge_at, made), queries)


def _lost(query: PlannedQuery) -> dict[str, Any]:
    """An evaluation with a query left out would tell too much good."""
    raise PlatekinError("worker_lost", f"{query.query_id}: ended every process that judged it", "run again")


def plan_of(request: EvaluationRequest) -> EvaluationPlan:
    """The plan, without drawing anything."""
    folders, manifests = ([Path(path) for path in paths] for paths in (request.folders, request.manifests))
    found = read_negatives(folders, request.group, request.seed, request.role, manifests)
    return make_plan(found, request.queries, request.seed, request.fonts)


def read_rows(output: Path) -> Iterator[dict[str, Any]]:
    """The rows of an evaluation; a last one that was not written to its end is left out."""
    return read_lines(output / "rows.jsonl")


def read_lines(path: Path) -> Iterator[dict[str, Any]]:
    """The objects of a JSON Lines file, if there is one; a last one that was not written to its end is left out."""
    if not path.is_file():
        return
    with path.open(encoding="utf-8") as stream:
        for line in stream:
            if line.endswith("\n"):
                yield json.loads(line)


def mend(path: Path) -> None:
    """Cut off what a kill left of a last line."""
    if path.is_file():
        data = path.read_bytes()
        with path.open("r+b") as stream:
            stream.truncate(data.rfind(b"\n") + 1)


def _claim(request: EvaluationRequest, output: Path) -> None:
    """Make the folder this evaluation's own."""
    asked = json.loads(json.dumps(asdict(request)))
    path = output / "set.json"
    if path.is_file():
        if json.loads(path.read_text()) != asked:
            message = f"{output}: it holds an evaluation with other arguments (see {path.name})"
            raise BadTable("bad_evaluation", message, "name another --output")
    elif output.is_dir() and any(output.iterdir()):
        raise BadTable("bad_evaluation", f"{output}: it is not empty", "name another --output")
    output.mkdir(parents=True, exist_ok=True)
    path.write_text(json.dumps(asked, indent=1) + "\n")


def _enrolled(plan: EvaluationPlan, output: Path, workers: int, say: Say) -> EnrolReport:
    copies = sum(len(record.copies) for record in plan.records)
    say(f"drawing {copies} references of {len(plan.records)} records, {len(plan.poses)} poses")
    table = draw_references(plan, output / "set", workers)
    say("enrolling them")
    return enrol(table, output / "catalogue", workers=None if workers > 1 else 0)
