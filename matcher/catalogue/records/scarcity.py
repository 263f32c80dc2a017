"""How many different copies of each record have been seen, and where the catalogue has gaps.

In: an opened catalogue; out: one row per record. Counts are bounds: copies that a person has joined are different
for certain (`at_least`); every card that nobody has joined to a copy yet might be another one (`at_most`), unless it is
nearly certain to be the very card of a reference: that one is counted once, however often it was seen.
"""

from __future__ import annotations

import io
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from sqlalchemy import select

from matcher.catalogue.records.files import write_whole
from matcher.catalogue.records.name_search import bears
from matcher.catalogue.records.store import Catalogue
from matcher.catalogue.tables.finds import Sighting
from matcher.catalogue.tables.models import RecordRow, Reference
from matcher.catalogue.tables.targets import writing_out
from matcher.core.errors import CatalogueError

LEGIBLE = 0.25
"""Residual contrast from which words on a card can mostly be read: below it captions are told apart badly (our own
measurement on the demo set: nine of thirteen errors at the caption lie at 31 % or less)."""


SAME_CARD = 0.95
"""Probability of the copy rung from which a sighting is counted as the very card of a reference; by hand."""


@dataclass(frozen=True)
class Scarcity:
    """What has been seen of one record.

    seen: cards seen, references and sightings. at_least, at_most: different copies. first, last: days (ISO 8601,
    as precise as known; "" where nobody has said when). best, worst: residual contrast, or None.
    """

    record: RecordRow
    seen: int
    at_least: int
    at_most: int
    first: str
    last: str
    best: float | None
    worst: float | None


@dataclass(frozen=True)
class Gap:
    """Something that the catalogue lacks. kind: 'one crop', 'not legible', 'one copy' or 'no reference'."""

    kind: str
    about: str
    detail: str


@dataclass(frozen=True)
class _Seen:
    """reference: its id; of a sighting the reference whose very card it is, as far as that is nearly certain."""

    copy_id: int | None
    day: str
    contrast: float | None
    reference: int | None = None


def scarcity(catalogue: Catalogue, series: str | None = None, mark: str | None = None) -> tuple[Scarcity, ...]:
    """One row per record, the scarcest first; of one series, or of one issuer's mark (see
    `bears`): "none" for cards known to bear none, "" where nothing is said."""
    seen = _seen(catalogue)
    records = [
        record
        for record in catalogue.records()
        if (series is None or record.series == series) and (mark is None or bears(record.mark, mark))
    ]
    rows = [_row(record, seen.get(record.record_id, ())) for record in records]
    return tuple(sorted(rows, key=lambda row: (row.at_least, row.at_most, row.seen, row.record.record_id)))


def gaps(catalogue: Catalogue, series: str | None = None) -> tuple[Gap, ...]:
    """Poses with one crop seen; records without a legible reference, or known from one copy at most."""
    rows = sorted(scarcity(catalogue, series), key=lambda row: row.record.record_id)
    crops: dict[str, set[str]] = defaultdict(set)
    for row in rows:
        crops[row.record.pose].add(row.record.crop)
    subjects = {row.record.pose: row.record.subject for row in rows}
    found = [Gap("one crop", p, f"{subjects[p]}: only crop {min(c)} is known") for p, c in crops.items() if len(c) == 1]
    for row in rows:
        record_id = row.record.record_id
        if not row.seen:
            found.append(Gap("no reference", record_id, f"{row.record.caption}: none seen"))
        elif (row.best or 0.0) < LEGIBLE:
            best = "unknown" if row.best is None else f"{100 * row.best:.0f} %"
            found.append(
                Gap("not legible", record_id, f"{row.record.caption}: the best reference keeps {best} of its contrast")
            )
        if row.seen and row.at_most == 1:
            found.append(Gap("one copy", record_id, f"{row.record.caption}: one copy seen"))
    return tuple(sorted(found, key=lambda gap: (gap.kind, gap.about)))


def plot(rows: Sequence[Scarcity], target: Path) -> None:
    """Draw how many records are known from how many copies; the suffix chooses the format (.svg, .png, .pdf).

    Raises CatalogueError target_exists, bad_target.
    """
    from matplotlib.backends.backend_agg import FigureCanvasAgg  # here: no other command should wait for it
    from matplotlib.figure import Figure

    if target.exists():
        raise CatalogueError("target_exists", f"{target} is there already", "name a file that is not there yet")
    if target.suffix not in (".svg", ".png", ".pdf"):
        raise CatalogueError("bad_target", f"{target}: unsupported file type", "let the name end in .svg, .png or .pdf")
    most = max([row.at_most for row in rows], default=0)
    figure = Figure(figsize=(7, 4), layout="constrained")
    FigureCanvasAgg(figure)
    axes = figure.add_subplot()
    least = min([row.at_least for row in rows], default=0)
    places = range(least, most + 1)
    for offset, name, label in (
        (-0.2, "at_least", "at least (confirmed copies)"),
        (0.2, "at_most", "at most (if all unconfirmed cards differ)"),
    ):
        heights = [sum(getattr(row, name) == place for row in rows) for place in places]
        axes.bar([place + offset for place in places], heights, 0.4, label=label)
    axes.set_title("How many copies of each record have been seen")
    axes.set_xlabel("different copies")
    axes.set_ylabel("records")
    axes.set_xticks(list(places))
    axes.legend()
    metadata = {"Date": None} if target.suffix == ".svg" else {}
    drawn = io.BytesIO()
    figure.savefig(drawn, format=target.suffix.removeprefix("."), metadata=metadata)
    with writing_out(target):
        write_whole(target, drawn.getvalue())


def _seen(catalogue: Catalogue) -> dict[str, list[_Seen]]:
    found: dict[str, list[_Seen]] = defaultdict(list)
    with catalogue.reading() as connection:
        for row in connection.execute(
            select(Reference.record_id, Reference.copy_id, Reference.seen_on, Reference.id, Reference.facts)
        ):
            found[row.record_id].append(_Seen(row.copy_id, row.seen_on, row.facts.get("residual_contrast"), row.id))
        columns = (Sighting.record_id, Sighting.copy_id, Sighting.seen_on, Sighting.residual_contrast)
        for row in connection.execute(select(*columns, Sighting.suggested_reference, Sighting.suggested_probability)):
            sure = (row.suggested_probability or 0.0) >= SAME_CARD
            same = row.suggested_reference if sure else None
            found[row.record_id].append(_Seen(row.copy_id, row.seen_on, row.residual_contrast, same))
    return found


def _row(record: RecordRow, seen: Sequence[_Seen]) -> Scarcity:
    copies = {one.copy_id for one in seen if one.copy_id is not None}
    joined = {one.reference for one in seen if one.copy_id is not None}
    unjoined = [one for one in seen if one.copy_id is None]
    loose = sum(one.reference is None for one in unjoined)
    loose += len({one.reference for one in unjoined if one.reference is not None} - joined)
    days = sorted(one.day for one in seen if one.day)
    contrasts = [float(one.contrast) for one in seen if one.contrast is not None]
    return Scarcity(
        record=record,
        seen=len(seen),
        at_least=max(len(copies), min(len(seen), 1)),
        at_most=len(copies) + loose,
        first=days[0] if days else "",
        last=days[-1] if days else "",
        best=max(contrasts, default=None),
        worst=min(contrasts, default=None),
    )
