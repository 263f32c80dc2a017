"""Speed as ratios against a floor and baselines of the same run: one table, as JSON too, and a plot of cost by size.

    scripts/measure_speed PHOTOGRAPHS [--records 4500] [--photos 12] [--sizes 500 9000 100000]
    scripts/measure_speed PHOTOGRAPHS --stage index [--sizes 10000 100000 1000000]
    scripts/measure_speed PHOTOS --stage words --catalogue CATALOGUE

PHOTOGRAPHS: any folder of them, used as negatives. PHOTOS: of cards, asked of CATALOGUE with their words read and
without. One thread, but where two processes are told. See `cards`,
`identification` and `index` for what is measured.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Sequence
from pathlib import Path

from matcher.core.parallel.processes import one_thread
from matcher.lab.benchmarks.cards import KINDS, asked, build
from matcher.lab.benchmarks.cluster import scaling
from matcher.lab.benchmarks.identification import Photos, Row, at_size, baselines, by_reading, by_stage, processes
from matcher.lab.benchmarks.index import draw_cards, measure_sizes, plot

IDENTIFY_SIZES = (500, 4_500, 9_000, 50_000, 100_000)
"""References; two to a record is usual."""

INDEX_SIZES = (10_000, 100_000, 1_000_000)


def whole(photographs: list[Path], chosen: argparse.Namespace) -> dict[str, object]:
    """Everything about identify."""
    speed = build(photographs, chosen.records, chosen.catalogue)
    report: dict[str, object] = {"drawn_described_and_stored_per_s": speed and round(speed, 1)}
    photos: dict[str, Photos] = {
        kind: list(asked(photographs, chosen.records, chosen.photos + 1, kind)) for kind in KINDS
    }
    large = photos["12 MP JPEG"]
    report["stages"] = [{"photo": kind, **by_stage(chosen.catalogue, photos[kind])} for kind in KINDS]
    show("milliseconds by stage, median", report["stages"])
    report["kinds"] = [
        {"photo": kind, **at_size(chosen.catalogue, photos[kind], chosen.at, chosen.output)} for kind in KINDS
    ]
    show(f"identify over its floor, {chosen.at} references", report["kinds"])
    few = list(asked(photographs, min(chosen.sizes or IDENTIFY_SIZES), chosen.photos + 1, "12 MP JPEG"))
    sizes = [at_size(chosen.catalogue, few, size, chosen.output) for size in chosen.sizes or IDENTIFY_SIZES]
    report["sizes"] = sizes
    show("the same photos at every number of references, 12 MP", report["sizes"])
    report["processes"] = [processes(chosen.catalogue, large, 2)]
    show("two processes against one, 12 MP", report["processes"])
    report["cluster"] = [scaling(chosen.catalogue, photos["2 MP JPEG"], 3)]
    show("a cluster of one and of two workers, 2 MP", report["cluster"])
    if chosen.baselines:
        report["baselines"] = [baselines(chosen.catalogue, [*large[: chosen.baselines], large[-1]])]
        show("baselines on every record, 12 MP", report["baselines"])
    plot(sizes, ("identify_ms", "floor_ms"), chosen.output / "identify.svg")
    return report


def index_alone(photographs: list[Path], chosen: argparse.Namespace) -> list[Row]:
    """One table of the index at all sizes."""
    draw_cards(photographs, chosen.output / "cards", workers=2)
    rows = measure_sizes(chosen.output / "cards", list(chosen.sizes or INDEX_SIZES), chosen.photos, chosen.output)
    plot([row for row in rows if "resident_gb" in row], ("search_cpu_ms", "resident_gb"), chosen.output / "index.svg")
    show("the index alone", rows)
    return rows


def words_alone(photos: list[Path], chosen: argparse.Namespace) -> list[Row]:
    """What reading adds to an identification, on photos of cards and a catalogue that are there."""
    rows = [by_reading(chosen.catalogue, photos)]
    show("milliseconds with words read and without, median", rows)
    return rows


def show(title: str, rows: object) -> None:
    """A table with a column a row: names are longer than numbers."""
    assert isinstance(rows, Sequence)
    print(f"\n{title}")
    for name in dict.fromkeys(name for row in rows for name in row):
        print(f"  {name:30}" + "".join(f"{row.get(name, '')!s:>18}" for row in rows), flush=True)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("photographs", type=Path, help="folder of photographs, used as negatives")
    parser.add_argument("--records", type=int, default=4500, help="of the catalogue that is drawn")
    parser.add_argument("--photos", type=int, default=12, help="asked, of each kind and size")
    parser.add_argument(
        "--baselines", type=int, default=2, help="photos that the baselines answer too (half a minute each)"
    )
    parser.add_argument("--at", type=int, default=9_000, help="references at which the kinds of photo are compared")
    parser.add_argument("--sizes", type=int, nargs="+", help="numbers of references")
    parser.add_argument("--catalogue", type=Path, default=Path("demo-output/benchmark"))
    parser.add_argument("--stage", choices=("all", "index", "words"), default="all", help="one of them alone")
    parser.add_argument("--output", type=Path, default=Path("demo-output/benchmark-figures"))
    chosen = parser.parse_args()
    one_thread()
    photographs = sorted(chosen.photographs.glob("*.jpg"))
    chosen.output.mkdir(parents=True, exist_ok=True)
    measured = {"all": whole, "index": index_alone, "words": words_alone}[chosen.stage]
    report = measured(photographs, chosen)
    name = "identify" if chosen.stage == "all" else chosen.stage
    (chosen.output / f"{name}.json").write_text(json.dumps(report, indent=1) + "\n")


if __name__ == "__main__":
    main()
