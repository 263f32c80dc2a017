"""Teach the reading library's own network on with lines as cards bear them (`core.ocr.recogniser`).

    scripts/train_reader FOLDER... --types TYPES --manifest FILE --output matcher/core/nets/weights

Each picture that the manifest lists to train is a negative, and what lines are drawn on, in the designs that
`fit_words` leaves to training and those of `designs.json`. Lines are drawn while it learns. Needs the extras `reading`
and `train`.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
from collections.abc import Iterator, Sequence
from datetime import date
from importlib.metadata import version
from importlib.util import find_spec
from itertools import count
from pathlib import Path
from zlib import crc32

import numpy as np

from matcher.core.errors import BadTable
from matcher.core.nets import digest
from matcher.core.ocr.recogniser import TABLES
from matcher.lab.evaluation.negatives import Negative, read_negatives
from matcher.lab.manifests import add_option, stored, take
from matcher.lab.synthesis.taught_designs import taught_on
from matcher.lab.synthesis.type_cases import Typeface
from matcher.lab.training.reader_lines import Tile, card_tiles, pictures_of, plain_tiles

AT_ONCE = 200
"""Tiles that a process draws before it hands them over."""

PHOTOS = 30
"""Cards of one hand-over, where whole cards are drawn; every other one is."""


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    lettering_options(parser)
    parser.add_argument("--further", type=Path, help="a reader.onnx taught before, whose numbers it goes on from")
    parser.add_argument("--minutes", type=float, default=18.0)
    parser.add_argument("--rate", type=float, default=1e-3)
    parser.add_argument("--columns", type=int, default=160_000, help="pixels along all lines of a batch together")
    parser.add_argument("--room", type=int, default=550_000_000, help="pixels along all lines that are kept, 72 B each")
    parser.add_argument("--first", type=int, default=20_000, help="lines that are drawn before it begins")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--device", default="cpu")
    parser.add_argument("--output", type=Path, required=True, help="folder of reader.onnx")
    chosen = parser.parse_args()
    try:
        taken = take("train", chosen.folders, chosen.manifest)
        negatives = read_negatives(chosen.folders, "", chosen.seed, "train", chosen.manifest)
        types = taught_on(chosen.types)
    except BadTable as error:
        parser.error(str(error))
    begun = chosen.begin or library_file()
    signs = teach(begun, negatives, types, chosen)
    about = {
        "made": date.today().isoformat(), "minutes": chosen.minutes, "seed": chosen.seed, "manifests": stored(taken),
        "designs": len(types), "further": digest(chosen.further) if chosen.further else "", "begun": origin(begun),
        "signs": "".join(signs),
    }  # fmt: skip
    (chosen.output / "reader.json").write_text(json.dumps(about, ensure_ascii=False, indent=1) + "\n", encoding="utf-8")


def lettering_options(parser: argparse.ArgumentParser) -> None:
    """What is drawn on, in which designs, and the library's network that it begins with."""
    parser.add_argument("folders", type=Path, nargs="+")
    add_option(parser)
    parser.add_argument("--types", type=Path, required=True, help="folder of typefaces, from scripts/fetch_type")
    parser.add_argument("--begin", type=Path, help="the library's network; that which is installed if not given")


def library_file(name: str = "PP-OCRv6_rec_small.onnx") -> Path:
    """A network that came with the library; its reader if not given."""
    found = find_spec("rapidocr")
    if found is None or found.origin is None:
        raise SystemExit("the extra is missing: pip install 'platekin[reading]'")
    return Path(found.origin).parent / "models" / name


def origin(file: Path) -> dict[str, str]:
    return {
        "file": file.name,
        "library": f"rapidocr {version('rapidocr')}",
        "licence": "Apache-2.0",
        "sha256": digest(file),
    }


def teach(
    begun: Path, negatives: Sequence[Negative], types: Sequence[Typeface], chosen: argparse.Namespace
) -> list[str]:
    """Learn and write; the signs that it names."""
    from matcher.lab.training.onnx_graph_network import LibraryGraph, dump, plain_graph, written_into
    from matcher.lab.training.packed_weights import float_tables, pack_apart
    from matcher.lab.training.reader_head import cut_head
    from matcher.lab.training.reader_network import Course, taught

    chosen.output.mkdir(parents=True, exist_ok=True)
    smaller, plain, whole = (chosen.output / name for name in ("begun.onnx", "begun.npz", "taught.onnx"))
    signs = cut_head(begun, smaller)
    if chosen.further:
        written_into(smaller, float_tables(chosen.further, smaller), smaller)
    dump(smaller, plain)
    course = Course(
        chosen.minutes, chosen.rate, chosen.columns, chosen.room, chosen.first, chosen.device, chosen.seed
    )  # fmt: skip
    with multiprocessing.get_context("spawn").Pool(chosen.workers, _ready, (negatives, types, chosen.seed)) as pool:
        drawn = pool.imap_unordered(_drawn, count())
        network = taught(LibraryGraph(plain_graph(plain)), drawn, signs, course)
        pool.terminate()
    written_into(smaller, network.tables(), whole)
    pack_apart(whole, chosen.output / "reader.onnx", [chosen.output / name for name in TABLES])
    for scratch in (smaller, plain, whole):
        scratch.unlink()
    return signs


_given: tuple[Sequence[Negative], Sequence[Typeface], int]


def _ready(*given: object) -> None:
    global _given
    _given = given  # type: ignore[assignment]


def _drawn(number: int) -> list[Tile]:
    """Tiles, drawn straight and cut out of whole cards in turn."""
    negatives, types, seed = _given
    rng = np.random.default_rng([seed, number])
    some = [negatives[int(n)] for n in rng.permutation(len(negatives))[:PHOTOS]]
    if number % 2:
        return list(card_tiles(some, types, PHOTOS, crc32(bytes(f"{seed} {number}", "ascii"))))
    source: Iterator[Tile] = plain_tiles(pictures_of(some[:8]), types, rng)
    return [next(source) for _ in range(AT_ONCE)]


if __name__ == "__main__":
    main()
