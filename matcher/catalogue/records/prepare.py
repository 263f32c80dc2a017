"""The stages' work on many reference images: paths in, prepared references out, in the same order.

Runs in worker processes, one thread each; a picture that fails, or even ends its worker, costs only itself.
"""

from __future__ import annotations

from collections.abc import Callable, Generator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from math import inf, log
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from matcher.catalogue.records.files import decode_face, encode_face, face_name
from matcher.catalogue.records.ingest import PreparedReference
from matcher.catalogue.tables.models import Quad
from matcher.core.condition import condition
from matcher.core.describe import describe
from matcher.core.detect.card_quad import CardQuad, Detections
from matcher.core.detect.card_sizes import as_portrait
from matcher.core.detect.choice_settings import ChoiceSettings
from matcher.core.detect.detection import detect
from matcher.core.detect.geometry import area as quad_area
from matcher.core.detect.geometry import true_ratio
from matcher.core.detect.given_outline import given_quads
from matcher.core.detect.settings import DetectSettings
from matcher.core.detect.turning import as_held
from matcher.core.errors import PlatekinError, UnreadablePhoto
from matcher.core.flatten import flatten
from matcher.core.formats import CardFormat, face_text, shape_words
from matcher.core.parallel.cluster import Cluster
from matcher.core.parallel.elsewhere import Elsewhere, here
from matcher.core.parallel.limits import WorkLimits
from matcher.core.parallel.processes import usable_processors
from matcher.core.parallel.supervised import in_order, supervised_pool
from matcher.core.photo import Photo, read_photo
from matcher.core.settings import FaceSize, Settings

Prepare = Callable[..., PreparedReference]
"""What is done to one image, by its path and the settings, and `size` where its record has a format.
Must be picklable; raises PlatekinError for an image that cannot be used."""

Prepared = PreparedReference | PlatekinError

GIVEN = 1.0
"""The outline's score of a card that was looked at where somebody or something had said that it is: what was drawn by
hand, found on a photo and then accepted, or told by a table."""


@dataclass(frozen=True)
class Sought:
    """A picture of which a card is wanted. size: of its format, the settings' if not given.

    quad: where in it the card is, TL TR BR BL of the upright card, pixels of the upright picture; None: to be found.
    """

    path: Path
    size: FaceSize | None = None
    quad: Quad | None = None


WORTH_A_POOL = 8
"""Below this many images starting a worker takes longer than the work."""


LIMITS = WorkLimits(job_s=300.0)
"""Of one image; own choice: the largest takes some 10 s."""

REFERENCE_UPRIGHT = 8.0
"""Log odds that a reference is given upright: its owner has looked at it. An estimate, no source: of 158 cards drawn of
portraits, plates and garments one looked turned, by 4.8, and pictures of another world fool the network further. One
that is turned wrongly is still compared either way up, but shown on its head."""


OFF_SHAPE = 0.16
"""Largest difference, as a natural logarithm, between the shape of a card and that of the format it is enrolled as: a
hand-cut card's, and what an unknown focal length adds; own choice."""

OFF_SIZE = 0.15
"""The same for its size, where the scan tells its resolution, from which it is remarked on; own choice."""


def prepare_reference(path: Path, settings: Settings, size: FaceSize | None = None) -> PreparedReference:
    """Read, locate, flatten and describe one reference image; of several cards the clearest outline is taken.

    size: of the format that its record has; the settings' if not given.
    Raises UnreadablePhoto (the codes of `read_photo`, no_card, wrong_format).
    """
    return prepare_photo(read_photo(path, settings.photo), settings, size, str(path))


def prepare_photo(photo: Photo, settings: Settings, size: FaceSize | None, path: str) -> PreparedReference:
    """The same for a picture that has been read; path: what it is called. Raises UnreadablePhoto."""
    # What has another shape than its record says is told, and so it has to be found.
    detecting = DetectSettings(upright_log_odds=REFERENCE_UPRIGHT, choice=ChoiceSettings(misshapen=inf))
    outlines = detect(photo, size or settings.face, detecting)
    if size is not None and _is_whole(photo, outlines, size):
        outlines = given_quads(photo, _frame(photo), detecting)
    if outlines and outlines.found[0].odd:
        raise _wrong_format(path, photo, outlines.found[0], size or settings.face)
    if not outlines:
        raise UnreadablePhoto(
            "no_card",
            f"{path}: {outlines.reason or 'no card found'}",
            "scan the card with all four edges in the picture, on a ground that differs from it",
        )
    best = max(outlines, key=lambda outline: outline.score)
    if size is not None and not fits(photo, best, size):
        raise _wrong_format(path, photo, best, size)
    return prepare_outline(photo, as_held(best, size or settings.face), settings, len(outlines), size)


WHOLE, SMALL = 0.05, 0.5
"""A picture within this difference (a natural logarithm) of its record's format, in which no card that fills this share
of it is seen, is taken for the card itself, cut to it: its owner has said what it shows. Own choices."""


def _is_whole(photo: Photo, outlines: Detections, size: FaceSize) -> bool:
    """Whether a picture whose record says a format is a card of it, cut to its edges, as product pictures are."""
    shape = min(photo.width, photo.height) / max(photo.width, photo.height)
    if abs(log(shape / as_portrait(size).aspect)) > WHOLE or (photo.width > photo.height) != size.landscape:
        return False
    area = photo.width * photo.height
    return all(abs(float(quad_area(one.corners[None])[0])) < SMALL * area for one in outlines)


def _frame(photo: Photo) -> NDArray[np.float64]:
    return np.array([[0, 0], [photo.width, 0], [photo.width, photo.height], [0, photo.height]], np.float64)


def fits(photo: Photo, outline: CardQuad, size: FaceSize) -> bool:
    """Whether a card in this outline, as portrait, may have that shape."""
    return off_shape(photo, outline, size) <= OFF_SHAPE


def off_shape(photo: Photo, outline: CardQuad, size: FaceSize) -> float:
    """How far the shape of a card in this outline, whichever way up, is from that of a format: a natural logarithm."""
    return abs(log(_slenderness(photo, outline) / as_portrait(size).aspect))


def _slenderness(photo: Photo, outline: CardQuad) -> float:
    """Shorter over longer side, 0 to 1."""
    shape = float(true_ratio(outline.corners[None].astype(np.float64), photo.width, photo.height)[0])
    return min(shape, 1 / shape)


def off_size(one: PreparedReference) -> float:
    """How far a scanned card's size is from that of its format: a natural logarithm; 0 where no resolution tells it."""
    measured = one.facts.get("size_mm")
    return max((abs(log(mm / told)) for mm, told in zip(measured or (), one.size.card_mm, strict=False)), default=0.0)


def _wrong_format(path: str, photo: Photo, seen: CardQuad, size: FaceSize) -> UnreadablePhoto:
    wanted = CardFormat(*size.card_mm)
    what = f"{path}: it shows {seen_words(photo, seen)}, and its record's format is {wanted.text}, "
    what += f"{wanted.slenderness:.2f} : 1"
    return UnreadablePhoto("wrong_format", what, "correct the format in the table, or the picture")


def seen_words(photo: Photo, seen: CardQuad) -> str:
    """The shape of a card in this outline, in words."""
    return shape_words(_slenderness(photo, seen))


def prepare_outline(
    photo: Photo, outline: CardQuad, settings: Settings, outlines: int = 1, size: FaceSize | None = None
) -> PreparedReference:
    """The rest of the stages, for an outline that is known. outlines: how many cards the photo shows.

    size: of the card's format; the settings' if not given.
    """
    common, size = size is None or size == settings.face, size or settings.face
    flat = flatten(photo, outline, size)
    a, b, c, d = ((float(x), float(y)) for x, y in outline.corners)
    name = face_name(photo.sha256, (a, b, c, d), size)
    data = encode_face(flat, name)
    face = decode_face(data, size, name)
    assert face is not None  # just encoded
    seen = condition(face, photo, outline)
    facts = {
        "turned": flat.turned,
        "trusted": round(float(face.trusted.mean()), 4),
        "outlines": outlines,
        "off_nominal": None if seen.off_nominal is None else round(seen.off_nominal, 4),
        "outline_score": round(float(outline.score), 4),
        "dpi": photo.dpi,
        "size_mm": list(seen.size_mm) if seen.size_mm else None,
        "residual_contrast": round(seen.residual_contrast, 4),
        "sharpness": round(seen.sharpness, 4),
        **({} if common else {"format": face_text(size)}),
    }
    return PreparedReference(photo.sha256, photo.width, photo.height, (a, b, c, d), facts, data, describe(face), size)


def prepare_outlines(
    source: Path | bytes, name: str, quads: Sequence[Quad], settings: Settings, outlines: int, drawn: bool = False,
    sizes: Sequence[FaceSize] = (),
) -> list[PreparedReference]:  # fmt: skip
    """Cards of one picture whose outlines are known. source: its file, or that file's content; name: for messages.

    quads: TL TR BR BL of each upright card, pixels of the upright picture; drawn: by a person, and to be looked at.
    outlines: how many cards the picture shows. sizes: of each card's format; the settings' if none are given.
    Raises UnreadablePhoto, bad_outline among it.
    """
    photo = read_photo(source, settings.photo, name)
    if drawn:
        for quad in quads:
            given_quads(photo, np.array(quad, np.float64), upright=True)  # refuses what cannot be a card
    return [
        prepare_outline(photo, CardQuad(np.array(quad, np.float32), GIVEN), settings, outlines, size)
        for quad, size in zip(quads, sizes or [settings.face] * len(quads), strict=True)
    ]


def is_given(facts: Mapping[str, Any], quad: Quad) -> bool:
    """Whether a reference's outline was given, rather than found when it was enrolled. facts: of its face.

    What is level and begins in the picture's corner is the picture itself, which needs no telling.
    """
    across, down = ({corner[axis] for corner in quad} for axis in (0, 1))
    whole = len(across) == len(down) == 2 and min(across) == min(down) == 0
    return float(facts.get("outline_score", 0.0)) >= GIVEN and not whole


def prepare_given(path: Path, settings: Settings, size: FaceSize | None, quad: Quad) -> PreparedReference:
    """The card of a reference image that is said to lie there, see `Sought`. Raises UnreadablePhoto, bad_outline."""
    try:
        (one,) = prepare_outlines(path, str(path), [quad], settings, 1, True, [size or settings.face])
    except UnreadablePhoto as error:
        told = error.message if str(path) in error.message else f"{path}: {error.message}"
        raise UnreadablePhoto(error.code, told, error.remedy) from None
    return one


def prepare_in_order(
    wanted: Sequence[Sought],
    settings: Settings,
    workers: int | None = None,
    prepare: Prepare = prepare_reference,
    cluster: Cluster | None = None,
    elsewhere: Elsewhere = here,
) -> Generator[Prepared]:
    """Prepare images; yields, in their order, what was found out or the error that tells why not.

    prepare: does it where the card has to be found. cluster: does it, if given.
    workers: processes; 0 works in this one; None means 2, or as many as there are cores if fewer, or none
             for a handful of images.
    elsewhere: where those are prepared that are not worth a pool.
    """
    if cluster is not None:
        apart = partial(_attempt, prepare, settings=settings)
        yield from cluster.in_order([replace(one, path=one.path.resolve()) for one in wanted], apart, _lost, LIMITS)
        return
    if workers is None:
        workers = min(2, usable_processors()) if len(wanted) >= WORTH_A_POOL else 0
    workers = min(workers, len(wanted))
    if workers <= 0:
        for one in wanted:
            yield _attempt(prepare, one, settings, elsewhere)
    else:
        work = partial(_attempt, prepare, settings=settings)
        yield from in_order(wanted, work, _lost, partial(supervised_pool, limits=LIMITS), workers, _late)


def _lost(one: Sought) -> Prepared:
    return PlatekinError(
        "worker_lost",
        f"{one.path}: the process that read it was lost, perhaps for lack of memory",
        "save the picture smaller, or close other programs and run again",
    )


def _late(one: Sought) -> Prepared:
    why = f"{one.path}: it was not read within {LIMITS.job_s:g} s"
    return PlatekinError("timeout", why, "save the picture as a plain JPEG, and enrol it again")


def _attempt(prepare: Prepare, one: Sought, settings: Settings, elsewhere: Elsewhere = here) -> Prepared:
    try:
        if one.quad is not None:
            return elsewhere(prepare_given, one.path, settings, one.size, one.quad)
        asked = prepare if one.size is None else partial(prepare, size=one.size)
        return elsewhere(asked, one.path, settings)
    except PlatekinError as error:
        return error
    except Exception as error:  # one odd picture must not stop a night's work
        return PlatekinError(
            "unexpected", f"{one.path}: {type(error).__name__}: {error}", "please report this, with the picture"
        )
