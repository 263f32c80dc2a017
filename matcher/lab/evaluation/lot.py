"""A scanned lot measured: photographs as negatives in; one table of its tags, duplicates, queue and speed out.

Pages of eight cards are drawn over a catalogue of the same photographs: 30 % show poses that nobody has enrolled, each
on one to four cards; six in a hundred are cards that lie on a second page too; the others are new copies of enrolled
records. Everything drawn is kept, and a stopped run goes on.
"""

from __future__ import annotations

import json
import time
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image

from matcher.catalogue import Catalogue
from matcher.catalogue.log.decisions import person
from matcher.catalogue.records.enrol import enrol
from matcher.catalogue.records.files import write_whole
from matcher.core.parallel.processes import process_pool
from matcher.core.settings import Settings
from matcher.jobs.lot import store
from matcher.jobs.lot.cards import Card, cards_of
from matcher.jobs.lot.pairwise import compare_lot
from matcher.jobs.lot.review_queue import queue, to_confirm
from matcher.jobs.lot.run import run as run_lot
from matcher.lab.evaluation.draw import card_of, draw_references
from matcher.lab.evaluation.lot_speed import Speed, compare_speed
from matcher.lab.evaluation.negatives import Negative
from matcher.lab.evaluation.plan import EvaluationPlan, PlannedCopy, make_copy, make_plan
from matcher.lab.evaluation.variations import Variation
from matcher.lab.synthesis import scan, write_scan
from matcher.lab.synthesis.chance import random_crop
from matcher.lab.synthesis.pages import page_of
from matcher.lab.synthesis.words import random_caption

A_PAGE = 8
NEW, AGAIN = 0.30, 0.06
"""Shares of the cards that show an unknown pose, and that lie on a second page."""

CONTRASTS = (0.9, 0.7, 0.5, 0.35, 0.2)
NEAR_MM = 12.0
"""A found card is the true one whose middle is so near."""

Say = Callable[[str], None]


@dataclass(frozen=True)
class Dealt:
    """One card on a page. record_id: "" where nobody has enrolled it; group: of an unknown pose's cards."""

    copy: PlannedCopy
    record_id: str
    group: str


def run(
    negatives: Sequence[Negative],
    output: Path,
    *,
    pages: int,
    singles: int,
    poses: int,
    seed: int,
    workers: int,
    say: Say,
) -> str:
    """Draw, enrol, run the lot, count; returns the table and writes it to `lot.txt`, the cards to `lot.jsonl`."""
    plan = make_plan(negatives, 3 * poses, seed)
    dealt = deal(plan, negatives, pages * A_PAGE, seed)
    say(f"drawing references of {len(plan.records)} records and {pages} pages")
    table = draw_references(plan, output / "set", workers)
    draw_pages(dealt, output / "pages", seed, workers)
    if not (output / "catalogue" / "catalogue.sqlite").is_file():
        say("enrolling")
        enrol(table, output / "catalogue", workers=None if workers > 1 else 0)
    lines = [f"{pages} pages of {A_PAGE} cards, {len(plan.records)} records of {len(plan.poses)} poses, seed {seed}"]
    with Catalogue.open(output / "catalogue") as catalogue:
        say("running the lot")
        cards = _worked(catalogue, output / "pages", workers, say)
        results = list(judged(cards, dealt, output / "pages"))
        (output / "lot.jsonl").write_text("".join(json.dumps(row) + "\n" for row in results), encoding="utf-8")
        lines += [*tag_lines(results), *duplicate_lines(results), *_queue_lines(catalogue, cards)]
    if singles:
        say(f"timing {singles} single scans")
        draw_singles(plan, output / "singles", singles, seed)
        lines += _speed_lines(compare_speed(output / "singles", output / "catalogue", workers))
    (output / "lot.txt").write_text("\n".join(lines) + "\n", encoding="utf-8")
    return "\n".join(lines)


def deal(plan: EvaluationPlan, negatives: Sequence[Negative], count: int, seed: int) -> list[Dealt]:
    """What lies on the pages, in order; the same arguments deal the same cards."""
    rng = np.random.default_rng([seed, 77])
    new, again = round(NEW * count), round(AGAIN * count)
    known = [
        Dealt(_copy(f"c{k:04d}", plan.records[int(rng.integers(len(plan.records)))].shows, rng), "", "")
        for k in range(count - new - again)
    ]
    records = {id(record.shows): record.record_id for record in plan.records}
    cards = [replace(card, record_id=records[id(card.copy.shows)]) for card in known]
    strangers = [n for n in negatives if n.name not in plan.poses]
    order = iter(rng.permutation(len(strangers)))
    sizes = (1, 2, 3, 4)
    while len(cards) < count - again:
        group = len({card.group for card in cards})
        shows = Variation(strangers[next(order)], "", "", random_crop(rng), random_caption(rng, ("",)))
        for _ in range(min(sizes[group % 4], count - again - len(cards))):
            cards.append(Dealt(_copy(f"n{len(cards):04d}", shows, rng), "", shows.negative.name))
    cards += [cards[k] for k in rng.permutation(len(cards))[:again]]
    return [cards[k] for k in rng.permutation(len(cards))]


def _copy(name: str, shows: Variation, rng: np.random.Generator) -> PlannedCopy:
    return make_copy(name, shows, CONTRASTS[int(rng.integers(len(CONTRASTS)))], rng)


def draw_pages(dealt: Sequence[Dealt], folder: Path, seed: int, workers: int) -> None:
    """Pages that are not there yet, each with its cards' true middles beside it (mm from the page's corner)."""
    folder.mkdir(parents=True, exist_ok=True)
    todo = []
    for number in range(-(-len(dealt) // A_PAGE)):
        path = folder / f"page{number + 1:03d}.jpg"
        if not path.is_file():
            todo.append((path, [card.copy for card in dealt[number * A_PAGE : (number + 1) * A_PAGE]], seed + number))
    if workers > 1 and len(todo) > 1:
        with process_pool(workers) as pool:
            list(pool.map(_draw_page, *zip(*todo, strict=True)))
    else:
        for one in todo:
            _draw_page(*one)


def _draw_page(path: Path, copies: Sequence[PlannedCopy], seed: int) -> None:
    page = page_of([card_of(copy) for copy in copies], np.random.default_rng([seed, 78]))
    mm = 25.4 / float(page.dpi or 300)
    middles = [[round(float(v) * mm, 2) for v in card.corners.mean(axis=0)] for card in page.cards]
    write_whole(path.with_suffix(".json"), json.dumps(middles).encode(), keep=False)
    part = path.with_suffix(".part")
    Image.fromarray(page.pixels).save(part, "JPEG", quality=92, dpi=(page.dpi or 300, page.dpi or 300))
    part.replace(path)


def draw_singles(plan: EvaluationPlan, folder: Path, count: int, seed: int) -> None:
    """Scans of one card each."""
    folder.mkdir(parents=True, exist_ok=True)
    rng = np.random.default_rng([seed, 79])
    for number in range(count):
        copy = _copy(f"s{number:04d}", plan.records[int(rng.integers(len(plan.records)))].shows, rng)
        path = folder / f"s{number:04d}.jpg"
        if not path.is_file():
            write_whole(path, write_scan(scan(card_of(copy), np.random.default_rng([seed, number]))), keep=False)


def _worked(catalogue: Catalogue, folder: Path, workers: int, say: Say) -> tuple[Card, ...]:
    began = time.perf_counter()
    done = run_lot(catalogue, [folder], person("evaluation"), Settings(), workers=workers, compare=False)
    say(f"identified in {time.perf_counter() - began:.0f} s; comparing the cards with each other")
    with store.only_run(catalogue, done.lot.lot_id):
        pairs = compare_lot(catalogue, done.lot, Settings(), workers)
    say(f"{pairs} pairs; {time.perf_counter() - began:.0f} s in all")
    return cards_of(catalogue, done.lot)


def judged(cards: Sequence[Card], dealt: Sequence[Dealt], folder: Path) -> Iterator[dict[str, Any]]:
    """One row a true card: what was found there, and what is true of it."""
    pages: dict[str, list[Card]] = {}
    for card in cards:
        pages.setdefault(card.item.name, []).append(card)
    repeated = Counter(card.copy.copy_id for card in dealt)
    copies: dict[str, str] = {}  # of found cards: which physical card lies there
    rows = []
    for place, truth in enumerate(dealt):
        name = f"page{place // A_PAGE + 1:03d}"
        middle = json.loads((folder / f"{name}.json").read_text())[place % A_PAGE]
        found = _nearest(pages.get(f"{name}.jpg", []), middle)
        if found:
            copies[found.card] = truth.copy.copy_id
        rows.append((truth, found))
    for truth, found in rows:
        linked = [copies.get(other) for other in found.same_card] if found else []
        yield {
            "copy": truth.copy.copy_id, "record_id": truth.record_id, "group": truth.group,
            "contrast": truth.copy.age.residual_contrast, "twice": repeated[truth.copy.copy_id] > 1,
            "card": found.card if found else None, "outcome": found.outcome if found else None,
            "tag": found.found["record_id"] if found else None,
            "closest": found.found["candidates"][0]["record_id"] if found and found.found["candidates"] else None,
            "again": truth.copy.copy_id in linked, "falsely": any(one != truth.copy.copy_id for one in linked),
            "family": found.family if found else None,
        }  # fmt: skip


def _nearest(cards: Sequence[Card], middle: Sequence[float]) -> Card | None:
    mm = 25.4 / 300
    away = [float(np.hypot(*(np.mean(card.found["quad"], axis=0) * mm - middle))) for card in cards]
    return cards[int(np.argmin(away))] if away and min(away) < NEAR_MM else None


def tag_lines(rows: Sequence[dict[str, Any]]) -> Iterator[str]:
    known = [row for row in rows if row["record_id"]]
    right = [row for row in known if row["tag"] == row["record_id"]]
    wrong = [row for row in rows if row["tag"] and row["tag"] != row["record_id"]]
    yield f"cards found: {_share([row for row in rows if row['card']], rows)}"
    yield f"right tag among those enrolled: {_share(right, known)} (bar 97 %)"
    for contrast in CONTRASTS:
        some = [row for row in known if row["contrast"] == contrast]
        if some:
            yield f"  at contrast {contrast:.2f}: {_share([row for row in right if row in some], some)}"
    first = [row for row in known if row["closest"] == row["record_id"]]
    yield f"right record closest, tagged or left to a person: {_share(first, known)}"
    yield f"wrong tag: {_share(wrong, rows)} (bar 0.5 %)"
    outcomes = Counter(str(row["outcome"]) for row in known)
    yield f"outcomes of enrolled ones: {dict(outcomes)}"
    strangers = [row for row in rows if row["group"]]
    yield f"outcomes of unknown poses: {dict(Counter(str(row['outcome']) for row in strangers))}"


def duplicate_lines(rows: Sequence[dict[str, Any]]) -> Iterator[str]:
    twice = [row for row in rows if row["twice"]]
    yield f"cards on two pages, found to be one: {_share([row for row in twice if row['again']], twice)} (bar 95 %)"
    yield f"cards joined to another card falsely: {_share([row for row in rows if row['falsely']], rows)} (bar 0.5 %)"
    groups: dict[str, set[str]] = {}
    for row in rows:
        if row["group"] and row["card"]:
            groups.setdefault(row["group"], set()).add(row["family"])
    one = [families for families in groups.values() if len(families) == 1]
    yield f"unknown poses that make one family: {len(one)} of {len(groups)}"


def _queue_lines(catalogue: Catalogue, cards: Sequence[Card]) -> Iterator[str]:
    (lot,) = {card.item.lot_id for card in cards}
    cases = queue(catalogue, store.lot(catalogue, lot), cards)
    known = to_confirm(catalogue, cards, 0.0)
    waiting = sum(len(case.cards) for case in cases)
    made = len(cases) + bool(known)
    yield (
        f"decisions: {len(cases)} for {waiting} cards that wait, 1 for {len(known)} known: {made / len(cards):.2f} a "
        f"card of the lot (bar 0.5), {len(cases) / max(1, waiting):.2f} a waiting card"
    )


def _speed_lines(speed: Speed) -> Iterator[str]:
    yield (
        f"{speed.cards} single scans: {speed.lot_s / speed.cards:.2f} s a card, plain loop on as many processes "
        f"{speed.loop_s / speed.cards:.2f} s: {speed.lot_s / speed.loop_s:.2f} x (bar 1.15); processor time "
        f"{speed.lot_cpu_s / speed.loop_cpu_s:.2f} x"
    )
    yield f"memory of all processes, last third over first: {speed.memory:.2f} x (bar 1.1)"


def _share(some: Sequence[Any], of: Sequence[Any]) -> str:
    return f"{100 * len(some) / len(of):.1f} % ({len(some)} of {len(of)})" if of else "none asked"
