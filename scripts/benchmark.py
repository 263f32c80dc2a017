"""Speed of enrolling and identifying, as ratios against a floor and a rival measured in the same run.

The catalogue is made of any photographs used as negatives, each in two crops under two captions. One thread throughout.

floor: decode + locate + flatten + ORB of the same 12 MP photo: what no identification can do without.
rivals: ORB + RANSAC of the same face against every record, once with the descriptors of all records in memory, and
        once describing each record's picture anew (measured on 200 records, scaled to all).
"""

from __future__ import annotations

import argparse
import io
import json
import statistics
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from itertools import islice
from pathlib import Path

import numpy as np
from PIL import Image

from matcher.align import match_features
from matcher.catalogue import Catalogue, RecordRow
from matcher.catalogue.arrivals import Arrival
from matcher.catalogue.enrol import update_index
from matcher.catalogue.prepare import prepare_outline
from matcher.describe import Description, describe
from matcher.flatten import flatten
from matcher.identify import identify
from matcher.ladder.confidence import Calibration
from matcher.locate import Outline, locate
from matcher.photo import read_photo
from matcher.processes import one_thread, process_pool
from matcher.rehearsal import make_copy, photograph, write_photo
from matcher.rehearsal.negatives import negative_of
from matcher.rehearsal.trials import another_crop, random_age, random_crop, random_scene
from matcher.rehearsal.words import another_caption, random_caption
from matcher.settings import Settings
from matcher.shelf import Shelf
from matcher.words.reading import can_read

PHOTO = (3024, 4032)
FACE_PX_PER_MM = 640 / 63.5
Made = list[tuple[RecordRow, Arrival]]


def records_of(number: int, path: Path) -> Made:
    """Four records of one negative: two crops, two captions; each with one reference, aged."""
    rng = np.random.default_rng([1, number])
    negative, made = negative_of(path, 600), []
    first, caption = random_crop(rng), random_caption(rng)
    for letter, crop in (("A", first), ("B", another_crop(first, rng))):
        for words in (caption, another_caption(caption, rng)):
            name = f"N{number:05d}-{letter}{len(made)}"
            age = random_age(rng, float(rng.choice([0.9, 0.6, 0.35])))
            card = make_copy(
                negative, crop, words, age, seed=number * 8 + len(made), plate=number, px_per_mm=FACE_PX_PER_MM
            )
            record = RecordRow(name, f"S{number}", f"P{number:05d}", letter, words.name, words.club, "", "", "", {})
            made.append((record, _arrival(card.pixels, name)))
    return made


def _arrival(pixels: np.ndarray, name: str) -> Arrival:
    buffer = io.BytesIO()
    Image.fromarray(pixels).save(buffer, "JPEG", quality=90)
    photo = read_photo(buffer.getvalue(), name=name)
    whole = np.array([[0, 0], [photo.width, 0], [photo.width, photo.height], [0, photo.height]], np.float32)
    return Arrival(buffer.getvalue(), f"{name}.jpg", prepare_outline(photo, Outline(whole, 1.0), Settings()))


def build(photographs: list[Path], records: int, folder: Path) -> float | None:
    """Make the catalogue unless it is there; returns records a second, drawing included, `locate` not."""
    paths = list(enumerate(photographs[: -(-records // 4)]))
    started = time.perf_counter()
    with Catalogue.open(folder, create=True) as catalogue:
        if catalogue.counts().records >= min(records, 4 * len(photographs)) - 3:
            return None
        with process_pool(2) as pool, catalogue.writing():
            left = iter(paths)
            while batch := list(islice(left, 40)):
                for made in pool.map(records_of, *zip(*batch, strict=True)):
                    for record, arrival in made:
                        catalogue.add(record, [arrival])
            update_index(catalogue)
    return 4 * len(paths) / (time.perf_counter() - started)


def queries(photographs: list[Path], records: int, count: int) -> Iterator[tuple[str, bytes]]:
    """(pose, JPEG) of 12 MP photos of other copies of enrolled records, on negatives spread over the catalogue."""
    negatives = -(-records // 4)
    for number in np.linspace(0, min(negatives, len(photographs)) - 1, count).astype(int):
        rng = np.random.default_rng([1, int(number)])
        crop, caption = random_crop(rng), random_caption(rng)
        rng = np.random.default_rng([2, int(number)])
        scene = replace(random_scene(rng), width=PHOTO[0], height=PHOTO[1], noise=2.0)
        age = random_age(rng, float(rng.choice([0.8, 0.5, 0.3])))
        card = make_copy(
            negative_of(photographs[number], 600),
            crop,
            caption,
            age,
            seed=900_000 + int(number),
            plate=int(number),
            px_per_mm=26.0,
        )
        yield f"P{number:05d}", write_photo(photograph(card, scene, rng), scene)


def floor(data: bytes) -> None:
    """What no identification can do without."""
    photo = read_photo(data)
    for outline in locate(photo):
        describe(flatten(photo, outline))


def orb_ransac_on_all(text: Description, everything: list[tuple[str, Description]]) -> str:
    """The rival: the pose with the most inliers over all records."""
    query = (text.points, text.angles, text.descriptors)
    inliers = [match_features(query, (d.points, d.angles, d.descriptors))[1] for _, d in everything]
    return everything[int(np.argmax(inliers))][0]


def seconds(work: Callable[[], object]) -> float:
    started = time.perf_counter()
    work()
    return time.perf_counter() - started


@dataclass(frozen=True)
class Timed:
    """One query: seconds, and whether the right pose came first; the rival's where it was asked."""

    ours: float
    floor: float
    right: bool
    rival: float | None = None
    rival_right: bool = False


def measure(folder: Path, photographs: list[Path], records: int, count: int, rivals: int) -> dict[str, object]:
    """All figures of one run. The process is warm, the photo is new to it: its references come from disk."""
    settings, calibration = Settings(), Calibration.load()
    asked = list(queries(photographs, records, count + 1))
    opening = seconds(lambda: Shelf.open(folder, settings).catalogue.close())
    with Shelf.open(folder, settings) as shelf:
        identify(read_photo(asked[-1][1]), shelf, settings, calibration)  # warms the process with another photo
        can_read()  # as worker processes do, before the first photo
        everything = descriptions_by_pose(shelf) if rivals else []
        timed = [
            time_query(pose, data, shelf, calibration, everything if number < rivals else [])
            for number, (pose, data) in enumerate(asked[:-1])
        ]
        report = {"references": len(shelf), "index": shelf.index.kind, "opening_s": round(opening, 2), **summary(timed)}
        if rivals:
            anew = describing_anew(asked[0][1], shelf) / statistics.median(one.ours for one in timed)
            report["rival_describing_anew_over_identify"] = round(anew, 1)
    return report


def describing_anew(data: bytes, shelf: Shelf, sample: int = 200) -> float:
    """Seconds that ORB + RANSAC would take on all records if each record's face were read and described for it."""
    photo = read_photo(data)
    text = describe(flatten(photo, next(iter(locate(photo)))))
    query = (text.points, text.angles, text.descriptors)
    references = shelf.catalogue.references()[:sample]

    def work() -> None:
        for reference in references:
            theirs = describe(shelf.catalogue.face(reference))
            match_features(query, (theirs.points, theirs.angles, theirs.descriptors))

    return seconds(work) / len(references) * len(shelf)


def descriptions_by_pose(shelf: Shelf) -> list[tuple[str, Description]]:
    poses = {record.record_id: record.pose for record in shelf.catalogue.records()}
    owner = {reference.id: poses[reference.record_id] for reference in shelf.catalogue.references()}
    return [(owner[i], description) for i, description in shelf.catalogue.descriptions()]


def time_query(
    pose: str, data: bytes, shelf: Shelf, calibration: Calibration, everything: list[tuple[str, Description]]
) -> Timed:
    started = time.perf_counter()
    found = identify(read_photo(data), shelf, shelf.catalogue.settings, calibration)
    ours = time.perf_counter() - started
    least = statistics.median(seconds(lambda: floor(data)) for _ in range(3))
    closest = found.cards[0].answer.candidates[:1] if found.cards else ()
    right = bool(closest) and closest[0].known.record.pose == pose
    if not everything or not found.cards:
        return Timed(ours, least, right)
    text = describe(found.cards[0].face)
    started = time.perf_counter()
    named = orb_ransac_on_all(text, everything)
    return Timed(ours, least, right, time.perf_counter() - started, named == pose)


def summary(timed: list[Timed]) -> dict[str, object]:
    ratios = sorted(one.ours / one.floor for one in timed)
    report: dict[str, object] = {
        "queries": len(timed),
        "identify_ms_median": round(1000 * statistics.median(one.ours for one in timed)),
        "floor_ms_median": round(1000 * statistics.median(one.floor for one in timed)),
        "identify_over_floor_median": round(statistics.median(ratios), 2),
        "identify_over_floor_worst": round(ratios[-1], 2),
        "pose_top1": f"{sum(one.right for one in timed)}/{len(timed)}",
    }
    both = [one for one in timed if one.rival is not None]
    if both:
        report["rival_over_identify_median"] = round(statistics.median((one.rival or 0) / one.ours for one in both), 1)
        report["pose_top1_where_both_asked"] = f"{sum(one.right for one in both)}/{len(both)}"
        report["pose_top1_rival"] = f"{sum(one.rival_right for one in both)}/{len(both)}"
    return report


def index_alone(photographs: list[Path], chosen: argparse.Namespace) -> None:
    """One table of the index at all sizes; also as JSON and as a plot."""
    from benchmark_index import draw_cards, measure_sizes, plot

    draw_cards(photographs, chosen.output / "cards", workers=2)
    rows = measure_sizes(chosen.output / "cards", chosen.sizes, chosen.queries, chosen.output)
    (chosen.output / "index.json").write_text(json.dumps(rows, indent=1) + "\n")
    plot(rows, chosen.output / "index.svg")
    for name in dict.fromkeys(name for row in rows for name in row):
        print(f"{name:24}" + "".join(f"{row.get(name, '')!s:>16}"[:40] for row in rows))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("photographs", type=Path, help="folder of photographs, used as negatives")
    parser.add_argument("--records", type=int, default=4500)
    parser.add_argument("--queries", type=int, default=24)
    parser.add_argument(
        "--rivals", type=int, default=12, help="queries that the rival answers too (half a minute each)"
    )
    parser.add_argument("--catalogue", type=Path, default=Path("demo-output/benchmark"))
    parser.add_argument("--stage", choices=("all", "index"), default="all", help="index: that stage alone, at any size")
    parser.add_argument("--sizes", type=int, nargs="+", default=[10_000, 100_000, 1_000_000], help="of --stage index")
    parser.add_argument("--output", type=Path, default=Path("demo-output/benchmark-index"), help="of --stage index")
    chosen = parser.parse_args()
    one_thread()
    photographs = sorted(chosen.photographs.glob("*.jpg"))
    if chosen.stage == "index":
        index_alone(photographs, chosen)
        return
    speed = build(photographs, chosen.records, chosen.catalogue)
    report = measure(chosen.catalogue, photographs, chosen.records, chosen.queries, chosen.rivals)
    print(json.dumps({"drawn_described_and_stored_per_s": speed and round(speed, 1), **report}, indent=1))


if __name__ == "__main__":
    main()
