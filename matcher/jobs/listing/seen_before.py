"""Seen before? A card in its photo in; earlier references and sightings of the same card, or of the same file, out.

Same file: faces with nearly the same perceptual hash, as they are or mirrored, are looked at again pixel by pixel, with
what lies round the card: two photos of one card never share their grain, table and light. Trimming the picture,
changing its tones, its size or its compression leaves all of these.
Same card: the copy rung of the ladder, for references as `identify` has judged it, for sightings of the record asked
here.
"""

from __future__ import annotations

import hashlib
import json
import logging
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import faiss
import numpy as np
from numpy.typing import NDArray

from matcher.catalogue.finds import sightings
from matcher.catalogue.finds.sightings import SightingRow
from matcher.catalogue.records import files
from matcher.catalogue.reference_set import CatalogueReferences
from matcher.catalogue.tables.models import ReferenceRow, outline_key
from matcher.core import altered
from matcher.core.align.alignment import Alignment, align
from matcher.core.align.view import View
from matcher.core.calibration import percent
from matcher.core.describe import fingerprint, perceptual_hash
from matcher.core.errors import CatalogueError, UnreadablePhoto
from matcher.core.flatten import Face
from matcher.core.identify import CardAnswer
from matcher.core.ladder.copy import judge_copy
from matcher.core.ladder.crop import known_crop
from matcher.core.ladder.registered import Registered
from matcher.core.photo import Photo, read_photo
from matcher.core.settings import Settings
from matcher.jobs.listing.image_reuse import Framing, agreement_of, is_same_file

log = logging.getLogger("platekin")

NEAR = 72
"""Bits of 256 that the hashes of one picture file's faces may differ by, after cutting and toning anew."""

NEAREST = 16
"""Pictures with the nearest hashes whose faces are laid over this one, each way round."""

LOOKED_AT = 4
"""Of these so many, the most alike, are compared pixel by pixel."""

ASKED = 32
"""Sightings of a record that the copy rung is asked about, the nearest hashes first: the picture is the same on all
of them, and stains change a hash by little."""

SAME_CARD_FROM = 0.9
"""Probability of the copy rung from which on a card is said to have been seen before."""

LEAD, LEADING_FROM = 14, 0.5
"""Where one sighting's hash is nearer than the next one's by so many bits, it is believed from this probability on: two
witnesses. Of 60 new photos of cards noted among 5,000 sightings 97 % are then found, and without this 93 %; of 60 of
copies that nobody has seen, none was taken for a sighting (the likeliest had 0.48 and a lead of 12)."""

Hash = NDArray[np.uint8]


@dataclass(frozen=True)
class SeenBefore:
    """kind: "same file" or "same card". where: "reference" or "sighting", with its number, record, day and source.

    probability: of the copy rung; for a file the correlation of its grain. how: of a file, what was done to it.
    """

    kind: str
    where: str
    number: int
    record_id: str
    seen_on: str
    source: str
    name: str
    probability: float
    how: str = ""

    @property
    def words(self) -> str:
        day = f" on {self.seen_on}" if self.seen_on else ""
        source = f", {self.source}" if self.source else ""
        what = f"{self.where} {self.number} of {self.record_id} ({self.name}{source})"
        if self.kind == "same file":
            how = f", {self.how}" if self.how else ""
            return f"the same picture file was seen before{day}: {what}{how}"
        return f"probably the same physical card was seen before{day}: {what} ({percent(self.probability)})"


@dataclass(frozen=True)
class _Held:
    """One face of the book."""

    where: str
    row: ReferenceRow | SightingRow


class SeenBook:
    """The faces of all references and sightings by their hashes: the former from the index, the latter from a cache."""

    def __init__(self, references: CatalogueReferences, settings: Settings) -> None:
        self._references = references
        self._settings = settings
        self._stamp = -1
        self._sightings: dict[int, SightingRow] = {}
        self._hashes: dict[int, Hash] = {}
        self._index: Any = None
        self._uncompared: set[tuple[str, int]] = set()

    @property
    def uncompared(self) -> list[str]:
        """References and sightings whose picture is lost or damaged: whether they show the card cannot be told."""
        return [f"{where} {number}" for where, number in sorted(self._uncompared)]

    def seen_before(self, photo: Photo, card: CardAnswer) -> list[SeenBefore]:
        """The same file first, then the same card; each reference and sighting once, the surest first."""
        self._refresh()
        found: dict[tuple[str, int], SeenBefore] = {}
        for one in (*self._same_file(photo, card), *self._same_card(card)):
            found.setdefault((one.where, one.number), one)
        return sorted(found.values(), key=lambda one: (one.kind != "same file", -one.probability))

    # The same picture file

    def _same_file(self, photo: Photo, card: CardAnswer) -> Iterator[SeenBefore]:
        own = Framing(photo.grey, card.outline.corners)
        for mirrored in (False, True):
            for turned in (False, True):
                face = _turned(card.face, mirrored, turned)
                near = self._near(perceptual_hash(face))
                same = [held for held in near if held.row.sha256 == photo.sha256 and not (mirrored or turned)]
                yield from (_told("same file", held, 1.0, "unchanged") for held in same)
                for held in self._most_alike(face, [held for held in near if held not in same]):
                    if (one := self._compared(own, mirrored, turned, held)) is not None:
                        yield one

    def _most_alike(self, face: Face, near: list[_Held]) -> list[_Held]:
        """Other copies of a record have hashes as near as the same file's: how well the faces fit tells more."""
        if len(near) <= LOOKED_AT:
            return near
        view = View(face)
        return sorted(near, key=lambda held: -self._laid_over(view, held.row)[0].correlation)[:LOOKED_AT]

    def _compared(self, own: Framing, mirrored: bool, turned: bool, held: _Held) -> SeenBefore | None:
        try:
            other = read_photo(self._references.catalogue.image_path(held.row), self._settings.photo)
        except UnreadablePhoto as error:
            self._uncompared.add((held.where, held.row.id))
            log.warning("%s %d cannot be compared: %s", held.where, held.row.id, error)
            return None
        theirs = Framing(other.grey, np.array(held.row.quad, np.float32))
        mine = own.mirrored() if mirrored else own
        agreed = agreement_of(mine.half_turned() if turned else mine, theirs)
        if not is_same_file(agreed):
            return None
        return _told("same file", held, round(agreed.inside, 3), "mirrored" if mirrored else "cut or toned anew")

    def _near(self, hashes: Hash) -> list[_Held]:
        """The nearest hashes among references and sightings, none further than `NEAR`."""
        found: list[tuple[int, _Held]] = []
        for number, bits in self._references.index.nearest_hashes(hashes, NEAREST):
            known = self._references.known(number)
            if known is not None:
                found.append((bits, _Held("reference", self._references.row(known.id))))
        if self._index is not None and self._index.ntotal:
            distances, ids = self._index.search(np.ascontiguousarray(hashes[None]), NEAREST)
            for number, bits in zip(ids[0].tolist(), distances[0].tolist(), strict=True):
                if number >= 0:
                    found.append((int(bits), _Held("sighting", self._sightings[number])))
        return [held for bits, held in sorted(found, key=lambda one: one[0])[:NEAREST] if bits <= NEAR]

    # The same card

    def _same_card(self, card: CardAnswer) -> Iterator[SeenBefore]:
        for candidate in card.answer.compared:
            if candidate.copy is not None and candidate.copy.probability >= SAME_CARD_FROM:
                yield _told(
                    "same card",
                    _Held("reference", self._references.row(candidate.reference.id)),
                    candidate.copy.probability,
                )
        view: View | None = None
        for row, enough in self._alike(card):
            view = view or View(card.face)
            probability = self._copy(view, row)
            if probability >= enough:
                yield _told("same card", _Held("sighting", row), probability)

    def _alike(self, card: CardAnswer) -> list[tuple[SightingRow, float]]:
        """Sightings that may show the card: of its record, or of its pose where the record is open; each with the
        probability from which on it is believed."""
        record_id, pose = card.answer.established.get("record_id"), card.answer.established.get("pose")
        if pose is None:
            return []
        records = (
            {known.record.record_id for known in self._references.of_pose(pose)} if record_id is None else {record_id}
        )
        own = perceptual_hash(card.face)
        rows = [row for row in self._sightings.values() if row.record_id in records]
        ranked = sorted(((_bits(own, self._hashes[row.id]), row) for row in rows), key=lambda one: one[0])[:ASKED]
        return list(zip([row for _, row in ranked], believed_from([bits for bits, _ in ranked]), strict=True))

    def _copy(self, view: View, row: SightingRow) -> float:
        alignment, face = self._laid_over(view, row)
        if not alignment or face is None:
            return 0.0
        pair = Registered.of(view.face, face, alignment, self._settings.ladder)
        # The record is the same, and so is its crop: only the window that was measured is asked for.
        return judge_copy(pair, known_crop(pair, 1.0), self._references.calibration).probability

    def _laid_over(self, view: View, row: ReferenceRow | SightingRow) -> tuple[Alignment, Face | None]:
        """The card's face on one of the book's, edges on edges to begin with."""
        try:
            face = self._references.catalogue.face(row)
        except CatalogueError as error:
            if error.code != "damaged":
                raise  # a database that does not answer has not said that the card is another
            where = "reference" if isinstance(row, ReferenceRow) else "sighting"
            self._uncompared.add((where, row.id))
            log.warning("%s %d cannot be compared: %s", where, row.id, error)
            return Alignment.failed("its picture is lost"), None
        return align(view, View(face), start=np.eye(3)), face

    # The book of sightings

    def _refresh(self) -> None:
        """Take in sightings noted since; their hashes are kept in a file that can be deleted."""
        newest = self._references.catalogue.last_decision()
        if newest == self._stamp:
            return
        rows = {row.id: row for row in sightings.sightings(self._references.catalogue)}
        cache = HashCache(self._references.catalogue.folder, fingerprint(size=self._settings.face))
        hashes = {number: cache.get(row) for number, row in rows.items()}
        for number in [number for number, held in hashes.items() if held is None]:
            try:
                hashes[number] = cache.put(rows[number], perceptual_hash(self._references.catalogue.face(rows[number])))
            except CatalogueError as error:
                if error.code != "damaged":
                    raise
                self._uncompared.add(("sighting", number))
                log.warning("sighting %d cannot be compared: %s", number, error)
                del hashes[number], rows[number]
        cache.save()
        self._sightings, self._hashes = rows, {n: h for n, h in hashes.items() if h is not None}
        self._index = faiss.IndexBinaryIDMap2(faiss.IndexBinaryFlat(256))
        if self._hashes:
            ids = np.array(list(self._hashes), np.int64)
            self._index.add_with_ids(np.stack(list(self._hashes.values())), ids)
        self._stamp = newest


def believed_from(bits: Sequence[int]) -> list[float]:
    """Probability from which on each sighting is believed, by how far their hashes are off, the nearest first.

    >>> believed_from([8, 34, 36]), believed_from([28, 34, 36]), believed_from([8])
    ([0.5, 0.9, 0.9], [0.9, 0.9, 0.9], [0.9])
    """
    leads = len(bits) > 1 and bits[1] - bits[0] >= LEAD
    return [LEADING_FROM if leads and not place else SAME_CARD_FROM for place in range(len(bits))]


class HashCache:
    """Hashes of sightings' faces by image and outline, in one file of the catalogue: derived, made again at need."""

    def __init__(self, folder: Path, made_by: str) -> None:
        self._path = folder / "seen" / f"hashes-{made_by}.json"
        self._held = self._read()
        self._changed = False

    def get(self, row: SightingRow) -> Hash | None:
        stored = self._held.get(_key(row))
        return None if stored is None else np.frombuffer(bytes.fromhex(stored), np.uint8)

    def put(self, row: SightingRow, hashes: Hash) -> Hash:
        self._held[_key(row)] = hashes.tobytes().hex()
        self._changed = True
        return hashes

    def save(self) -> None:
        """Written as a whole; a catalogue that may not be written to is asked without it."""
        if self._changed:
            try:
                told = {"hashes": self._held, "digest": _digest(self._held)}
                files.write_whole(self._path, json.dumps(told).encode(), keep=False)
            except OSError:
                return
            self._changed = False

    def _read(self) -> dict[str, str]:
        try:
            told = json.loads(self._path.read_text())
            held: dict[str, str] = told["hashes"]
            return held if told["digest"] == _digest(held) else {}
        except (OSError, ValueError, KeyError, TypeError):
            return {}


def _digest(held: dict[str, str]) -> str:
    """A damaged hash would let a card that was seen go unseen."""
    return hashlib.sha256(json.dumps(held, sort_keys=True).encode()).hexdigest()


def _key(row: SightingRow) -> str:
    return f"{row.sha256}-{outline_key(row.quad, row.format)}"


def _told(kind: str, held: _Held, probability: float, how: str = "") -> SeenBefore:
    row = held.row
    return SeenBefore(
        kind, held.where, row.id, row.record_id, row.seen_on, row.source, row.name, round(probability, 4), how
    )


def _turned(face: Face, left_to_right: bool, turned: bool) -> Face:
    shown = altered.mirrored(face) if left_to_right else face
    return shown.half_turn() if turned else shown


def _bits(one: Hash, other: Hash) -> int:
    return int(np.unpackbits(one ^ other).sum())
