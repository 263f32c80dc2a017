"""How well it works: from any folder of photographs, one table of measures, rivals in the same run.

    scripts/evaluate FOLDER... --group '^(p\\d+)_([a-z]+)' --queries 400 --seed 5 --output DIR

Each photograph is a negative. Files whose names share the first group of --group are exposures of one sitter in one
room; a second group names the exposure, and one file of each is taken. --demo adds the demo's negatives, with its
near-identical pairs. Pictures and seed must not be those that anything was fitted or tuned on.

DIR gets table.txt, table.json, reliability.png and rows.jsonl, a row a query with everything that was found. Stopped,
the same call goes on; --again judges the same photos anew.
"""

from __future__ import annotations

import argparse
import os
import sys
import time
from contextlib import nullcontext
from dataclasses import replace
from pathlib import Path

from matcher.catalogue.tables.database import URL_VARIABLE
from matcher.core.errors import PlatekinError
from matcher.core.parallel.cluster import Cluster
from matcher.core.parallel.processes import usable_processors
from matcher.lab.evaluation import printed, table
from matcher.lab.evaluation.listing_run import Size, run, run_drawn
from matcher.lab.evaluation.listing_set import REPORTING, TUNING
from matcher.lab.evaluation.negatives import Negative, read_negatives
from matcher.lab.evaluation.run import Wanted, evaluate
from reference_demo.cast import PLATES

FONTS = Path(__file__).parents[3] / "reference_demo" / "fonts"


def demo_negatives() -> tuple[Negative, ...]:
    """The demo's negatives; near are those that its cast calls near-identical."""
    pairs = {name: {plate.twin_of} for name, plate in PLATES.items() if plate.twin_of}
    for name, plate in PLATES.items():
        if plate.twin_of:
            pairs.setdefault(plate.twin_of, set()).add(name)
    return tuple(
        Negative(f"demo/{name}", plate.path, f"demo/{plate.sitter}", 0, tuple(f"demo/{n}" for n in pairs.get(name, ())))
        for name, plate in PLATES.items()
    )


def say(message: str) -> None:
    print(f"{time.strftime('%H:%M:%S')} {message}", file=sys.stderr, flush=True)


def ladder(chosen: argparse.Namespace) -> None:
    """Build, ask, count, show."""
    os.environ.pop(URL_VARIABLE, None)  # a catalogue of its own, in the output folder
    wanted = Wanted(
        folders=tuple(str(folder) for folder in chosen.folders),
        group=chosen.group,
        queries=chosen.queries,
        seed=chosen.seed,
        fonts=("", *(str(path) for path in sorted(FONTS.glob("*.ttf")))),
        calibration=str(chosen.calibration or ""),
    )
    more = demo_negatives() if chosen.demo else ()
    beside = chosen.output.resolve().parent
    with Cluster.connect(chosen.cluster, beside) if chosen.cluster else nullcontext() as machines:
        rows = evaluate(
            wanted, chosen.output, more=more, workers=chosen.workers, again=chosen.again, say=say, cluster=machines
        )
    cells = table.cells(rows)
    sources = [*wanted.folders, *(["the demo's negatives"] if chosen.demo else [])]
    about = f"{len(rows)} queries, seed {wanted.seed}, negatives of {', '.join(sources)}\n\n"
    printed.save(chosen.output, about, cells, rows)
    print(about + printed.as_text(cells), end="")


def locating(chosen: argparse.Namespace) -> None:
    """The stage before the ladder, on scenes of its own."""
    from matcher.lab.evaluation import detection

    for folder in chosen.folders:
        print(detection.run(folder, chosen.output, scenes=chosen.scenes, seed=chosen.seed))


def lots(chosen: argparse.Namespace) -> None:
    """A scanned lot, on pages of its own."""
    from matcher.lab.evaluation import lot, lot_kills

    os.environ.pop(URL_VARIABLE, None)
    sizes = {"pages": chosen.pages, "singles": chosen.singles, "poses": chosen.poses}
    if chosen.pages:
        print(lot.run(chosen.folders, chosen.output, **sizes, seed=chosen.seed, workers=chosen.workers, say=say))
    if chosen.kills:
        print(lot_kills.run(chosen.output / "kills", chosen.kills, chosen.seed))


def listing(chosen: argparse.Namespace) -> None:
    """Sale listings against their pictures, and what was seen before."""
    os.environ.pop(URL_VARIABLE, None)  # a catalogue of its own, in the output folder
    words = TUNING if chosen.tuning else REPORTING
    if chosen.drawn:
        cells = run_drawn(chosen.folders[0], chosen.output, chosen.texts, chosen.seed, words=words, say=say)
        print(printed.as_text(cells), end="")
        return
    found = [*(read_negatives(chosen.folders, chosen.group, chosen.seed) if chosen.folders else ())]
    found += demo_negatives() if chosen.demo else ()
    numbered = [replace(negative, plate=number) for number, negative in enumerate(found, start=1)]
    size = Size(chosen.pictures, chosen.texts, chosen.seen, chosen.sightings)
    fonts = ("", *(str(path) for path in sorted(FONTS.glob("*.ttf"))))
    cells = run(numbered, chosen.output, size, chosen.seed, fonts, words=words, workers=chosen.workers, say=say)
    print(printed.as_text(cells), end="")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folders", type=Path, nargs="*", metavar="FOLDER")
    parser.add_argument("--output", type=Path, required=True)
    parser.add_argument("--stage", choices=("ladder", "locate", "lot", "listing"), default="ladder")
    parser.add_argument("--group", default="", help="pattern of file names: sitter, and exposure")
    parser.add_argument("--demo", action="store_true", help="add the demo's negatives")
    parser.add_argument("--queries", type=int, default=400)
    parser.add_argument("--scenes", type=int, default=200, help="of --stage locate")
    parser.add_argument("--pages", type=int, default=60, help="of --stage lot, eight cards each")
    parser.add_argument("--poses", type=int, default=120, help="enrolled, of --stage lot")
    parser.add_argument("--singles", type=int, default=0, help="single scans to time, of --stage lot")
    parser.add_argument("--kills", type=int, default=0, help="of --stage lot")
    parser.add_argument("--pictures", type=int, default=80, help="of --stage listing")
    parser.add_argument("--texts", type=int, default=5, help="of --stage listing: listings of each picture")
    parser.add_argument("--seen", type=int, default=24, help="of --stage listing: records that were seen before")
    parser.add_argument("--sightings", type=int, default=5000, help="of --stage listing: how many there are in all")
    parser.add_argument("--drawn", action="store_true", help="of --stage listing: FOLDER is what scripts/demo left")
    parser.add_argument("--tuning", action="store_true", help="of --stage listing: the words to work with")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--workers", type=int, default=min(2, usable_processors()))
    parser.add_argument("--again", action="store_true", help="judge the photos of this output anew")
    parser.add_argument("--calibration", type=Path, help="coefficients to use instead of the shipped ones")
    parser.add_argument("--cluster", metavar="ADDRESS", help="judge on a Dask cluster, as tcp://host:8786")
    chosen = parser.parse_args()
    if not chosen.folders and not (chosen.demo and chosen.stage != "locate"):
        parser.error("name at least one folder of photographs, or --demo")
    try:
        {"ladder": ladder, "locate": locating, "lot": lots, "listing": listing}[chosen.stage](chosen)
    except PlatekinError as error:
        sys.exit(f"evaluate: {error}")


if __name__ == "__main__":
    main()
