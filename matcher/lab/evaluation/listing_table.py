"""Listings with their truth, and what was seen before, in; every cell of the stage's table out."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from matcher.catalogue.records.name_search import plain
from matcher.lab import measures
from matcher.lab.evaluation.scored_answers import LEGIBLE
from matcher.lab.evaluation.table import Bar, Cell, share

Row = Mapping[str, Any]

KINDS = ("subject", "pose", "crop", "caption")


def cells(listings: Sequence[Row], seen: Sequence[Row], sightings: int) -> list[Cell]:
    """The whole table."""
    parts = (_reading, _contradictions, _false, _honest, _verdicts)
    return [*(cell for part in parts for cell in part(listings)), *_seen(seen, sightings)]


def says(claim: Mapping[str, Any], stated: Mapping[str, Any]) -> bool:
    """Whether a claim that was read is one that the text makes."""
    kind = claim["kind"]
    if kind != stated["kind"] or claim["denied"] != stated["denied"]:
        return False
    if kind == "year":
        return str(stated["value"]) in claim["value"]
    if kind == "size":
        one, other = (claim["value"].removesuffix(" mm").split(" x "), stated["value"].split(" x "))
        return all(abs(float(a) - float(b)) < 0.6 for a, b in zip(one, other, strict=True))
    if kind == "caption":
        return plain(claim["value"]) == plain(stated["value"])
    return stated["value"] in (claim["value"], *claim["may_also_mean"])


def judged(row: Row) -> Iterator[tuple[Mapping[str, Any], Mapping[str, Any] | None]]:
    """(what the text states, the claim that was read of it or None), one after the other."""
    for stated in row["stated"]:
        yield stated, next((claim for claim in row["claims"] if says(claim, stated)), None)


def _reading(listings: Sequence[Row]) -> Iterator[Cell]:
    right = []
    for row in listings:
        also = {tuple(one) for one in row["also"]}
        for claim in row["claims"]:
            known = any(says(claim, stated) for stated in row["stated"])
            if known or (claim["kind"], claim["value"]) not in also:
                right.append(known)
    yield share("claims read: precision", right, Bar(0.97))
    found = [(stated["kind"], claim is not None) for row in listings for stated, claim in judged(row)]
    yield share("claims read: recall", [read for _, read in found], Bar(0.93))
    for kind in sorted({kind for kind, _ in found}):
        yield share(f"recall of {kind}", [read for one, read in found if one == kind])


def _contradictions(listings: Sequence[Row]) -> Iterator[Cell]:
    bars = {"subject": 0.95, "pose": 0.95, "crop": 0.85, "caption": 0.85}
    for legible in (True, False):
        for kinds, bar in ((("subject", "pose"), 0.95), (("crop", "caption"), 0.85)):
            found = [one for kind in kinds for one in _found(listings, kind, legible)]
            what = f"contradictions found, {' and '.join(kinds)}, {'legible' if legible else 'all'} pictures"
            yield share(what, found, Bar(bar) if legible else None)
    for kind, bar in bars.items():
        yield share(f"contradictions found, {kind}, legible pictures", list(_found(listings, kind, True)), Bar(bar))


def _found(listings: Sequence[Row], kind: str, legible: bool) -> Iterator[bool]:
    for row in listings:
        if not legible or row["contrast"] >= LEGIBLE - 1e-9:
            for stated, claim in judged(row):
                if stated["kind"] == kind and stated["truth"] == "contradicts":
                    yield claim is not None and claim["status"] == "contradicts"


def _false(listings: Sequence[Row]) -> Iterator[Cell]:
    """Of all claims that were read, those that are called contradicted though the picture does not contradict them."""
    wrong, kinds = [], []
    for row in listings:
        lies = [stated for stated in row["stated"] if stated["truth"] == "contradicts"]
        for claim in row["claims"]:
            false = claim["status"] == "contradicts" and not any(says(claim, lie) for lie in lies)
            wrong.append(false)
            kinds.append(claim["kind"])
    yield share("false contradictions, of all claims", wrong, Bar(0.01, True))
    for kind in sorted({kind for kind, false in zip(kinds, wrong, strict=True) if false}):
        yield share(f"false contradictions, {kind}", [f for k, f in zip(kinds, wrong, strict=True) if k == kind])


def _honest(listings: Sequence[Row]) -> Iterator[Cell]:
    read = [
        (stated["kind"], claim["status"] == "cannot be told")
        for row in listings
        for stated, claim in judged(row)
        if claim is not None and stated["truth"] == "cannot be told"
    ]
    yield share("'cannot be told' where it cannot", [told for _, told in read], Bar(0.95))
    for kind in sorted({kind for kind, told in read if not told}):
        yield share(f"'cannot be told' where it cannot, {kind}", [told for one, told in read if one == kind])


def _verdicts(listings: Sequence[Row]) -> Iterator[Cell]:
    for kind in KINDS:
        good = [
            claim["status"] == "agrees"
            for row in listings
            if row["contrast"] >= LEGIBLE - 1e-9
            for stated, claim in judged(row)
            if stated["kind"] == kind and stated["truth"] == "agrees" and claim is not None
        ]
        yield share(f"'agrees' where it agrees, {kind}, legible pictures", good)
    lies = [row for row in listings if any(stated["truth"] == "contradicts" for stated in row["stated"])]
    yield share("verdict 'at odds' where a claim contradicts", [row["verdict"]["step"] == "at odds" for row in lies])
    true = [row for row in listings if row not in lies]
    yield share("verdict 'at odds' where none does", [row["verdict"]["step"] == "at odds" for row in true])


def _seen(seen: Sequence[Row], sightings: int) -> Iterator[Cell]:
    """Found: the sighting that it repeats is told, whichever way."""
    if not seen:
        return
    among = f"among {sightings:,} sightings"
    reused = [row for row in seen if row["kind"] == "reused"]
    yield share(f"reused file found {among}", [_repeats(row) for row in reused], Bar(0.98))
    yield share("reused file called the same file", [_repeats(row, "same file") for row in reused])
    for change in sorted({row["change"] for row in reused}):
        yield share(f"reused file found, {change}", [_repeats(row) for row in reused if row["change"] == change])
    again = [row for row in seen if row["kind"] == "same card"]
    yield share(f"same card newly photographed found {among}", [_repeats(row) for row in again], Bar(0.9))
    strange = [row for row in seen if row["kind"] == "other card"]
    yield share("copy nobody has seen, called seen before", [bool(row["found"]) for row in strange], Bar(0.002, True))
    away = [any(one["name"] != row["of"] for one in row["found"]) for row in seen if row["of"]]
    yield share("seen before, but another sighting is named too", away)
    false = sum(one["where"] == "sighting" and one["name"] != row["of"] for row in seen for one in row["found"])
    pairs = len(seen) * sightings
    interval = measures.share_interval(false, pairs)
    yield Cell("false, of all pairs of a picture and a sighting", false / pairs if pairs else math.nan, pairs, interval)


def _repeats(row: Row, kind: str = "") -> bool:
    """Whether the sighting that a picture repeats is told (as this kind)."""
    return any(one["name"] == row["of"] and kind in ("", one["kind"]) for one in row["found"])
