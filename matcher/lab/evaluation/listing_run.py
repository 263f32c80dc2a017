"""Stage `listing`, from its set to its table: negatives and a seed in; a folder with set, findings and table out.

    OUTPUT/set, OUTPUT/catalogue    cards, photos and what was enrolled (`listing_set`)
    OUTPUT/looks.jsonl              every picture identified and looked at once; serves several listings
    OUTPUT/listings.jsonl           every listing with its truth and what was said of it
    OUTPUT/seen.jsonl               later pictures of what was noted as seen
    OUTPUT/table.txt, table.json    the table

Stopped, the same call goes on; texts are weighed anew each time, since that costs hardly anything.
"""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable, Iterable, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from matcher.catalogue import Catalogue
from matcher.catalogue.finds import sightings as copies
from matcher.catalogue.log.decisions import person
from matcher.catalogue.records.files import write_whole
from matcher.core.answer import KNOWN
from matcher.core.errors import BadTable
from matcher.core.settings import Settings
from matcher.jobs.job import Job
from matcher.jobs.listing.assess import Assessor
from matcher.jobs.listing.inspection import InspectCards, ListingPhoto
from matcher.jobs.listing.listing_json import photo_from_json, photo_to_json
from matcher.jobs.listing.vocabulary import NAME as VOCABULARY
from matcher.jobs.workers import identify_all
from matcher.lab.evaluation import listing_drawn, listing_table, printed
from matcher.lab.evaluation.listing_fill import fill_sightings
from matcher.lab.evaluation.listing_seen import Later, changed, photo_of, plan_seen
from matcher.lab.evaluation.listing_set import REPORTING, ListingSet, Words, build, make_set, picture
from matcher.lab.evaluation.listing_silent import with_silence
from matcher.lab.evaluation.listing_texts import Text, texts_of
from matcher.lab.evaluation.negatives import Negative
from matcher.lab.evaluation.run import mend, read_lines
from matcher.lab.evaluation.table import Cell

Say = Callable[[str], None]

WHO = "the evaluation"


@dataclass(frozen=True)
class Size:
    """pictures: to identify. each: listings of a picture. seen: records noted as seen. sightings: how many in all."""

    pictures: int = 80
    each: int = 5
    seen: int = 24
    sightings: int = 5000


def run(
    negatives: Sequence[Negative], output: Path, size: Size, seed: int, fonts: Sequence[str], *,
    words: str = REPORTING, workers: int = 1, silent: bool = False, say: Say = lambda _: None,
) -> list[Cell]:  # fmt: skip
    """The whole stage; returns the table's cells. silent: see `listing_silent`."""
    made = make_set(negatives, Words.load(words), size.pictures, seed, fonts)
    made = with_silence(made, seed) if silent else made
    say(f"{len(made.plan.records)} records, {len(made.plan.queries)} pictures: drawing and enrolling what is missing")
    catalogue = build(made, output, workers)
    # Noted first: the pictures that the listings use then serve as pictures of what nobody has seen.
    _sightings(made, output, catalogue, size, seed, workers, say)
    looks = _looks(made, output, catalogue, workers, say)
    listings = weigh(made, catalogue, texts_of(made, size.each, seed), looks)
    _write(output / "listings.jsonl", listings)
    say(f"{len(listings)} listings weighed")
    seen = [*_seen(made, output, catalogue, size, seed, workers, say), *_not_seen(made, looks)]
    return _saved(listing_table.cells(listings, seen, size.sightings), output)


def _saved(cells: list[Cell], output: Path) -> list[Cell]:
    write_whole(output / "table.txt", printed.as_text(cells).encode())
    write_whole(output / "table.json", (json.dumps(printed.as_data(cells), indent=1) + "\n").encode())
    return cells


def run_drawn(
    folder: Path, output: Path, each: int, seed: int, *, words: str = REPORTING, silent: bool = False,
    say: Say = lambda _: None,
) -> list[Cell]:  # fmt: skip
    """The stage on a set that is drawn and identified already (`listing_drawn`): all but what was seen before."""
    made = listing_drawn.read_set(folder, Words.load(words), seed, int(words == REPORTING))
    made = with_silence(made, seed) if silent else made
    answers = listing_drawn.answers_of(folder)
    missing = [query.query_id for query in made.plan.queries if f"{query.query_id}.jpg" not in answers]
    if missing:
        raise BadTable(
            "bad_evaluation", f"{folder}: no answer about {missing[0]}.jpg", "identify the set's photos first"
        )
    catalogue = output / "catalogue"
    if not catalogue.is_dir():
        shutil.copytree(folder / "catalogue", catalogue)
    listing_drawn.write_words(made, catalogue / VOCABULARY)
    listings = weigh(made, catalogue, texts_of(made, each, seed), answers)
    _write(output / "listings.jsonl", listings)
    say(f"{len(listings)} listings of {len(made.plan.queries)} pictures weighed")
    return _saved(listing_table.cells(listings, [], 0), output)


def weigh(
    made: ListingSet, catalogue: Path, texts: Iterable[Text], looks: dict[str, ListingPhoto]
) -> list[dict[str, Any]]:
    """Every listing with its truth and the claims that were read and judged."""
    with Catalogue.open(catalogue) as opened:
        assessor = Assessor.of(opened)
    rows = []
    for text in texts:
        result = assessor.assess(text.name, text.text, [looks[f"{text.query.query_id}.jpg"]])
        rows.append(
            {
                "listing": text.name,
                "text": text.text,
                "kind": text.query.kind,
                "contrast": text.query.copy.age.residual_contrast,
                "condition": text.query.condition,
                "stated": [asdict(one) for one in text.stated],
                "also": [list(one) for one in text.also],
                "claims": result["claims"],
                "unread": result["unread"],
                "verdict": result["verdict"],
            }
        )
    return rows


def _looks(made: ListingSet, output: Path, catalogue: Path, workers: int, say: Say) -> dict[str, ListingPhoto]:
    jobs = [Job(f"{q.query_id}.jpg", picture(output, q), steps=(InspectCards(),)) for q in made.plan.queries]
    return _answered(jobs, output / "looks.jsonl", catalogue, workers, say)


def _answered(jobs: Sequence[Job], path: Path, catalogue: Path, workers: int, say: Say) -> dict[str, ListingPhoto]:
    """Answers by the job's name; those that the file holds are not asked for again."""
    mend(path)
    held = {photo.answer.photo: photo for photo in map(photo_from_json, read_lines(path))}
    left = [job for job in jobs if job.name not in held]
    say(f"{path.name}: {len(left)} of {len(jobs)} pictures to look at")
    with path.open("a", encoding="utf-8") as stream:
        for photo in map(ListingPhoto.of, identify_all(left, catalogue, Settings(), workers)):
            stream.write(json.dumps(photo_to_json(photo), ensure_ascii=False) + "\n")
            stream.flush()
            held[photo.answer.photo] = photo
    return held


def _sightings(made: ListingSet, output: Path, catalogue: Path, size: Size, seed: int, workers: int, say: Say) -> None:
    """Draw all pictures, note what was seen, fill up to the wanted number of sightings."""
    planned = plan_seen(made.plan, size.seen, seed)
    folder = output / "set" / "seen"
    for later in planned:
        _draw(later, folder)
    _note([later for later in planned if later.kind == "sighting"], folder, output, catalogue, workers, say)
    fill_sightings(catalogue, size.sightings, seed, say)


def _not_seen(made: ListingSet, looks: dict[str, ListingPhoto]) -> list[dict[str, Any]]:
    """The listings' pictures, but for those of a reference's own card: nobody has seen these cards."""
    new = [q for q in made.plan.queries if not q.same_copy]
    return [_later_row(Later(q.query_id, "other card", q), looks[f"{q.query_id}.jpg"]) for q in new]


def _seen(
    made: ListingSet, output: Path, catalogue: Path, size: Size, seed: int, workers: int, say: Say
) -> list[dict[str, Any]]:
    """Look at what comes later."""
    planned = plan_seen(made.plan, size.seen, seed)
    folder = output / "set" / "seen"
    left = [later for later in planned if later.kind != "sighting"]
    jobs = [Job(f"{later.name}.jpg", folder / f"{later.name}.jpg", steps=(InspectCards(),)) for later in left]
    answers = _answered(jobs, output / "seen.jsonl", catalogue, workers, say)
    return [_later_row(later, answers[f"{later.name}.jpg"]) for later in left]


def _later_row(later: Later, photo: ListingPhoto) -> dict[str, Any]:
    found = [asdict(one) for card in photo.inspections for one in card.seen]
    return {
        "name": later.name,
        "kind": later.kind,
        "change": later.change,
        "of": f"{later.of}.jpg" if later.of else "",
        "contrast": later.query.copy.age.residual_contrast,
        "condition": later.query.condition,
        "outcome": [card.outcome for card in photo.answer.cards],
        "found": [{k: one[k] for k in ("kind", "where", "name", "probability", "how")} for one in found],
    }


def _draw(later: Later, folder: Path) -> None:
    path, corners = folder / f"{later.name}.jpg", folder / f"{later.of}.npy"
    if path.is_file():
        return
    folder.mkdir(parents=True, exist_ok=True)
    if later.kind == "reused" and later.change:
        data = (folder / f"{later.of}.jpg").read_bytes()
        write_whole(path, changed(data, np.load(corners), later.change, later.query.seed), keep=False)
        return
    file, shot = photo_of(later)
    if later.kind == "sighting":
        np.save(corners, shot.corners)
    write_whole(path, file, keep=False)


def _note(sightings: Sequence[Later], folder: Path, output: Path, catalogue: Path, workers: int, say: Say) -> None:
    """Note the earlier photos as a person would who knows what they show: the truth's record, the outline found."""
    with Catalogue.open(catalogue) as opened:
        noted = {row.name for row in copies.sightings(opened)}
        left = [later for later in sightings if f"{later.name}.jpg" not in noted]
        jobs = [Job(f"{later.name}.jpg", folder / f"{later.name}.jpg") for later in left]
        answers = _answered(jobs, output / "noted.jsonl", catalogue, workers, say)
        for later in left:
            answer = answers[f"{later.name}.jpg"].answer
            cards = tuple(replace(card, outcome=KNOWN, record_id=later.query.record_id) for card in answer.cards[:1])
            data = (folder / f"{later.name}.jpg").read_bytes()
            copies.note_sightings(
                opened, replace(answer, cards=cards), data, person(WHO), source="a sale", seen_on="1999-05"
            )


def _write(path: Path, rows: Iterable[dict[str, Any]]) -> None:
    write_whole(path, "".join(json.dumps(row, ensure_ascii=False) + "\n" for row in rows).encode())
