"""How well it works: from any folder of photographs, one table of measures, baselines in the same run.

    scripts/evaluate FOLDER... --group '^(p\\d+)_([a-z]+)' --queries 400 --seed 5 --output DIR

Each photograph is a negative. Where no manifest tells its sitter, files whose names share the first group of --group
are exposures of one sitter in one room; a second group names the pose, and one file of each is taken. The folder
reference_demo/negatives has near-identical pairs. Pictures that anything was trained or fitted on, as far as the
manifests know them, are refused; the seed must not be one that anything was tuned on.

DIR gets table.txt, table.json, reliability.png and rows.jsonl, a row a query with everything that was found. Stopped,
the same call goes on; --again judges the same photos anew.
"""

from __future__ import annotations

import argparse
import os
import sys
import time
from collections.abc import Callable, Mapping
from contextlib import nullcontext
from pathlib import Path

from matcher.catalogue.tables.database import URL_VARIABLE
from matcher.core.calibration import Calibration
from matcher.core.errors import PlatekinError
from matcher.core.parallel.cluster import Cluster
from matcher.core.parallel.processes import usable_processors
from matcher.lab import manifests
from matcher.lab.evaluation import printed, table
from matcher.lab.evaluation.listing_run import Size, run, run_drawn
from matcher.lab.evaluation.listing_set import REPORTING, TUNING
from matcher.lab.evaluation.negatives import read_negatives
from matcher.lab.evaluation.run import EvaluationRequest, evaluate
from matcher.lab.synthesis.lettering import FONTS


def say(message: str) -> None:
    print(f"{time.strftime('%H:%M:%S')} {message}", file=sys.stderr, flush=True)


def ladder(chosen: argparse.Namespace) -> None:
    """Build, ask, count, show."""
    os.environ.pop(URL_VARIABLE, None)  # a catalogue of its own, in the output folder
    request = EvaluationRequest(
        folders=tuple(str(folder) for folder in chosen.folders),
        group=chosen.group,
        queries=chosen.queries,
        seed=chosen.seed,
        fonts=FONTS,
        calibration=str(chosen.calibration or ""),
        role=chosen.role,
        manifests=tuple(str(path) for path in chosen.manifest),
    )
    beside = chosen.output.resolve().parent
    with Cluster.connect(chosen.cluster, beside) if chosen.cluster else nullcontext() as machines:
        rows = evaluate(request, chosen.output, workers=chosen.workers, again=chosen.again, say=say, cluster=machines)
    cells = table.cells(rows)
    about = f"{len(rows)} queries, seed {request.seed}, negatives of {', '.join(request.folders)}\n\n"
    printed.save(chosen.output, about, cells, rows)
    print(about + printed.as_text(cells), end="")


def locating(chosen: argparse.Namespace) -> None:
    """The stage before the ladder, on scenes of its own."""
    from matcher.lab.evaluation import detection

    for folder in chosen.folders:
        size = {"scenes": chosen.scenes, "empty": chosen.empty}
        found = detection.run(
            folder, chosen.output, **size, seed=chosen.seed, role=chosen.role, manifests=chosen.manifest
        )
        print(found)


def formats_found(chosen: argparse.Namespace) -> None:
    """Cards of every format, on scenes and pages of their own."""
    from matcher.lab.evaluation import formats

    size = {"scenes": chosen.scenes, "pages": chosen.pages}
    print(formats.run(chosen.folders[0], **size, seed=chosen.seed, role=chosen.role, manifests=chosen.manifest))


def on_real_photos(chosen: argparse.Namespace) -> None:
    """Real photographs; further folders hold pictures without a card."""
    from matcher.lab.evaluation import real_photos

    others = chosen.folders[1:]
    empty = [one.path for one in manifests.take(chosen.role, others, chosen.manifest)] if others else []
    print(real_photos.run(chosen.folders[0], empty=empty, most=chosen.scenes))


def on_two_formats(chosen: argparse.Namespace) -> None:
    """One negative on cards of two formats, asked of a catalogue."""
    from matcher.lab.evaluation import two_formats

    os.environ.pop(URL_VARIABLE, None)
    negatives = read_negatives(chosen.folders, chosen.group, chosen.seed, chosen.role, chosen.manifest)
    print(two_formats.run(negatives, chosen.output, poses=chosen.poses, seed=chosen.seed))


def lots(chosen: argparse.Namespace) -> None:
    """A scanned lot, on pages of its own."""
    from matcher.lab.evaluation import lot, lot_kills

    os.environ.pop(URL_VARIABLE, None)
    sizes = {"pages": chosen.pages, "singles": chosen.singles, "poses": chosen.poses}
    if chosen.pages:
        negatives = read_negatives(chosen.folders, "", chosen.seed, chosen.role, chosen.manifest)
        print(lot.run(negatives, chosen.output, **sizes, seed=chosen.seed, workers=chosen.workers, say=say))
    if chosen.kills:
        print(lot_kills.run(chosen.output / "kills", chosen.kills, chosen.seed))


def listing(chosen: argparse.Namespace) -> None:
    """Sale listings against their pictures, and what was seen before."""
    os.environ.pop(URL_VARIABLE, None)  # a catalogue of its own, in the output folder
    words = TUNING if chosen.tuning else REPORTING
    if chosen.drawn:
        drawn = (chosen.folders[0], chosen.output, chosen.texts, chosen.seed)
        cells = run_drawn(*drawn, words=words, silent=chosen.silent, say=say)
        print(printed.as_text(cells), end="")
        return
    found = read_negatives(chosen.folders, chosen.group, chosen.seed, chosen.role, chosen.manifest)
    size = Size(chosen.pictures, chosen.texts, chosen.seen, chosen.sightings)
    how = {"words": words, "workers": chosen.workers, "silent": chosen.silent}
    cells = run(found, chosen.output, size, chosen.seed, FONTS, **how, say=say)
    print(printed.as_text(cells), end="")


def lettering(chosen: argparse.Namespace) -> None:
    """Captions in every place and lettering, and marks, on cards of their own."""
    from matcher.lab.evaluation.lettering import run_lettering
    from matcher.lab.evaluation.lettering_set import ASKED
    from matcher.lab.evaluation.lettering_table import as_text
    from matcher.lab.synthesis.type_cases import typefaces

    os.environ.pop(URL_VARIABLE, None)
    found = read_negatives(chosen.folders, chosen.group, chosen.seed, chosen.role, chosen.manifest)
    types = typefaces(chosen.types or Path(), "report" if chosen.role == "report" else "fit")
    rows = run_lettering(
        found, types, chosen.output, chosen.queries, chosen.seed, calibration=Calibration.load(chosen.calibration),
        asked=chosen.asked or ASKED, workers=chosen.workers, again=chosen.again, say=say,
    )  # fmt: skip
    told = as_text(rows)
    (chosen.output / "table.txt").write_text(told, encoding="utf-8")
    print(told, end="")


STAGES: Mapping[str, Callable[[argparse.Namespace], None]] = {
    "ladder": ladder, "locate": locating, "formats": formats_found, "real": on_real_photos, "two": on_two_formats,
    "lot": lots, "listing": listing, "lettering": lettering,
}  # fmt: skip


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folders", type=Path, nargs="+", metavar="FOLDER")
    parser.add_argument("--output", type=Path, required=True)
    parser.add_argument("--stage", choices=tuple(STAGES), default="ladder")
    parser.add_argument("--group", default="", help="pattern of file names: sitter, and exposure")
    parser.add_argument("--role", choices=("report", "scale"), default="report", help="what the pictures serve for")
    manifests.add_option(parser)
    parser.add_argument("--queries", type=int, default=400)
    parser.add_argument(
        "--scenes",
        type=int,
        default=200,
        help="of --stage locate; of formats: of each, each way up; of real: without a card",
    )
    parser.add_argument(
        "--empty", type=int, help="of --stage locate: scenes without a card; half of --scenes if not told"
    )
    parser.add_argument("--pages", type=int, default=60, help="of --stage lot, eight cards each; of formats")
    parser.add_argument("--poses", type=int, default=120, help="enrolled, of --stage lot, two")
    parser.add_argument("--singles", type=int, default=0, help="single scans to time, of --stage lot")
    parser.add_argument("--kills", type=int, default=0, help="of --stage lot")
    parser.add_argument("--pictures", type=int, default=80, help="of --stage listing")
    parser.add_argument("--texts", type=int, default=5, help="of --stage listing: listings of each picture")
    parser.add_argument("--seen", type=int, default=24, help="of --stage listing: records that were seen before")
    parser.add_argument("--sightings", type=int, default=5000, help="of --stage listing: how many there are in all")
    parser.add_argument("--types", type=Path, help="of --stage lettering: where scripts/fetch_type left the typefaces")
    parser.add_argument(
        "--asked", nargs="+", choices=("same", "letter", "club", "mark", "hand"), help="of --stage lettering, in turn"
    )
    parser.add_argument("--drawn", action="store_true", help="of --stage listing: FOLDER is what scripts/demo left")
    parser.add_argument("--silent", action="store_true", help="of --stage listing: descriptions that are silent")
    parser.add_argument("--tuning", action="store_true", help="of --stage listing: the words to work with")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--workers", type=int, default=min(2, usable_processors()))
    parser.add_argument("--again", action="store_true", help="judge the photos of this output anew")
    parser.add_argument("--calibration", type=Path, help="coefficients to use instead of the shipped ones")
    parser.add_argument("--cluster", metavar="ADDRESS", help="judge on a Dask cluster, as tls://host:8786")
    chosen = parser.parse_args()
    try:
        STAGES[chosen.stage](chosen)
    except PlatekinError as error:
        sys.exit(f"evaluate: {error}")


if __name__ == "__main__":
    main()
