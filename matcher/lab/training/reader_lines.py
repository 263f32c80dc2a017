"""Lines of letters as the product cuts them out of cards, with what they say: pictures, typefaces and a seed in, tiles
out that `reader_network` learns from. Everything is numpy.

Most are drawn straight on a bit of a picture or a mount, and fade and blur as on a card; others are of whole cards,
drawn, aged, photographed and flattened. Words are names that nobody bears, words of the language, and letters without
sense, so that it is letters that are learnt and not what they usually spell.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

from matcher.core.card_lines import BoxMm
from matcher.core.flatten import flatten
from matcher.core.ocr.looks import Card as Seen
from matcher.core.ocr.looks import _cut_out, mm_to_face
from matcher.core.ocr.reading import stretched
from matcher.core.ocr.settings import LinePairSettings
from matcher.core.settings import FaceSize
from matcher.lab.evaluation.lettering_set import LetteredCard, draw_lettering_query, drawn_card, lettering_plan
from matcher.lab.evaluation.negatives import Negative
from matcher.lab.synthesis import Caption, scan
from matcher.lab.synthesis.line_drawing import draw_line, ink_on
from matcher.lab.synthesis.negatives import negative_of
from matcher.lab.synthesis.printing import where_printed
from matcher.lab.synthesis.prints import smooth_field
from matcher.lab.synthesis.type_cases import Typeface
from matcher.lab.synthesis.wording import MARK_FORMS, SetLine, Wording, face_of, set_lines, width_mm
from matcher.lab.training.fit_mark import SCAN_PX_PER_MM, seen

Grey = NDArray[np.uint8]
Floats = NDArray[np.float32]

TALL, ROWS, BESIDE = 72, 48, 36
"""Height of a tile, of the line's box in its middle, and the room at either end: it is cut a little otherwise each time
it is shown."""

WIDEST = 1500
"""Of a tile; a longer line is left out."""

LEAST_STEP = 0.18
"""Between a line's tone and what it is drawn on, before it fades: no one could read less."""

CHANGES = ("same", "letter", "club", "hand")


@dataclass(frozen=True)
class Tile:
    """One line. grey: (TALL, columns) uint8, level, its box BESIDE from both ends. words: what it says."""

    grey: Grey
    words: str


def _listed(words: str) -> tuple[str, ...]:
    """Words, and nothing for each blank too many: so often none of them stands there."""
    return tuple(words.split(" "))


_ONSETS = _listed(
    "b c d f g h j k l m n p r s t v w y z bl br ch cl cr dr fl fr gl gr kn ph pl pr qu sc sh sk sl sm sn sp st str sw "
    "th tr tw wh wr "
)
_VOWELS = _listed("a e i o u a e i o u ai au ay ea ee ei eu ew ie oa oe oo ou ow ue y")
_CODAS = _listed(
    "b ck d ff g k l ll m mm n nn p r rr s ss t tt th v w x ld lf lk lm lt nd ng nk nt rd rk rl rm rn rp rt sh sk st "
    "ch tz        "
)
_ENDINGS = _listed(
    "bury by cott dale den er field ford gate ham hurst ing ington kin ley man mann mere ness on ridge s sen son stein "
    "sted ston thorpe ton vale ville well wich wood worth y   "
)
_BEFORE = _listed(
    "Mr. Mrs. Miss Mlle. Mme. Dr. Capt. Lieut. Sgt. Col. Prof. Rev. Sir Lady Master Wm. Jas. Jno. Geo. Chas. Thos. "
    "Edw. Robt. Saml. Jos. Fredk. Alf. No. Pte. Hon. St. Mc O' von de"
)
_SORTS = _listed(
    "Club B.C. R.C. C.C. F.C. A.C. Y.M.C.A. Co. Ltd. & Son & Sons Bros. Union Team Nine Eleven Eight Band Choir "
    "School College Rovers Wanderers United Town City County Albion Athletic Harriers Wheelers Ramblers Rangers Swifts "
    "Star New Cigarettes Tobacco Tea Cocoa Soap Studio Photo. Photographer Gallery Portrait Works Mills Brewery Hall "
    "Theatre Old Regt. Battery Guards Volunteers Fire Engine Hose Lodge Guild League Second Third First North South"
)
_MARKS = ".,-'&!?()/:;\u2019“”\"*+=#%£$½—\u2013"
_LETTERS = "abcdefghijklmnopqrstuvwxyz"
_ACCENTED = "àáâäãåæçèéêëìíîïñòóôöõøùúûüýßœšžčřłń"
_TWINS = (
    ("rn", "m"), ("m", "rn"), ("cl", "d"), ("d", "cl"), ("vv", "w"), ("w", "vv"), ("ii", "u"), ("nn", "m"), ("li", "h"),
    ("l", "ll"), ("ll", "l"), ("t", "tt"), ("tt", "t"), ("n", "nn"), ("nn", "n"), ("s", "ss"), ("e", "ee"), ("o", "oo"),
    ("e", "c"), ("c", "e"), ("a", "o"), ("o", "a"), ("u", "n"), ("n", "u"), ("i", "l"), ("l", "i"), ("t", "f"),
    ("f", "t"), ("h", "b"), ("b", "h"), ("r", "s"), ("v", "y"), ("g", "y"), ("in", "m"), ("ri", "n"),
)  # fmt: skip


@lru_cache(maxsize=1)
def _language() -> tuple[str, ...]:
    """Words of the language, from the texts that Python brings along about itself."""
    import re

    try:
        from pydoc_data.topics import topics
    except ImportError:  # some systems leave it out
        return tuple(_SORTS)
    return tuple(sorted(set(re.findall(r"\b[A-Za-z]{2,14}\b", " ".join(topics.values())))))


@lru_cache(maxsize=4096)
def _has(path: str, sign: str) -> bool:
    """Whether a typeface has a sign: one that it lacks is drawn as a box or not at all."""
    face = face_of(path, 40)
    drawn = face.getmask(sign)
    return drawn.getbbox() is not None and bytes(drawn) != bytes(face.getmask("\uffff"))


def drawable(words: str, type_: Typeface) -> str:
    """The words without what the typeface has no sign for."""
    return " ".join("".join(c for c in words if c == " " or _has(type_.path, c)).split())


def _one(of: Sequence[str], rng: np.random.Generator) -> str:
    return of[int(rng.integers(len(of)))]


def invented(rng: np.random.Generator) -> str:
    """A name that nobody bears."""
    word = _one(_ONSETS, rng)
    for _ in range(int(rng.integers(1, 3))):
        word += _one(_VOWELS, rng) + _one(_CODAS, rng)
    return (word + (_one(_ENDINGS, rng) if rng.random() < 0.6 else "")).capitalize()


def _letters(rng: np.random.Generator) -> str:
    """Letters without sense, figures or signs among them now and then."""
    signs = _LETTERS if rng.random() < 0.7 else _LETTERS + "0123456789" + _MARKS + _ACCENTED
    word = "".join(_one(signs, rng) for _ in range(int(rng.integers(2, 9))))
    return word.upper() if rng.random() < 0.25 else word.capitalize() if rng.random() < 0.5 else word


def _figures(rng: np.random.Generator) -> str:
    number = int(rng.integers(0, 2000))
    forms = (str(number), f"No. {number % 400}", f"{number % 31}/{number % 13}", f"18{number % 100:02d}", f"({number})")
    return _one(
        (*forms, f"{number % 31}.{number % 12}.19{number % 100:02d}", f"Series {number % 30}", f"{number}d."), rng
    )


def _word(rng: np.random.Generator) -> str:
    draw = rng.random()
    if draw < 0.4:
        return invented(rng)
    if draw < 0.55:
        word = _one(_language(), rng)
        return word.capitalize() if rng.random() < 0.6 else word
    if draw < 0.72:
        return _letters(rng)
    if draw < 0.8:
        return _one(_SORTS, rng)
    if draw < 0.88:
        return _one(_BEFORE, rng) + (" " if rng.random() < 0.9 else "") + invented(rng)
    if draw < 0.93:
        return f"{_one(_LETTERS, rng).upper()}. {_one(_LETTERS, rng).upper()}. {invented(rng)}"
    if draw < 0.97:
        return _figures(rng)
    return f"{invented(rng)}{_one(_MARKS, rng)}{invented(rng)}"


def random_line(rng: np.random.Generator) -> str:
    """One to four words; as often as not a letter is another than it was, and like it."""
    words = " ".join(_word(rng) for _ in range(int(rng.choice([1, 2, 3, 4], p=[0.28, 0.45, 0.2, 0.07]))))
    if rng.random() < 0.5:
        words = with_a_twin(words, rng)
    if rng.random() < 0.2:
        place = int(rng.integers(len(words)))
        words = words[:place] + (_one(_ACCENTED, rng) if rng.random() < 0.4 else words[place]) + words[place:]
    return words.upper() if rng.random() < 0.25 else words


def with_a_twin(words: str, rng: np.random.Generator) -> str:
    """One letter, or two, changed for what looks like it; often there is none of its kind."""
    old, new = _TWINS[int(rng.integers(len(_TWINS)))]
    return words.replace(old, new, 1)


def ink_box(line: SetLine, scale: float = 16.0) -> BoxMm:
    """Where its ink lies, its frame left out; mm."""
    around = 3.0
    half = np.array([line.width / 2, 1.2 * line.body + abs(line.arc and line.width**2 / (8 * line.arc))])
    half = (half[::-1] if abs(line.turn) > 45 else half) + around
    shape = (round(2 * half[1] * scale), round(2 * half[0] * scale))
    origin = (line.x - float(half[0]), line.y - float(half[1]))
    alpha = draw_line(replace(line, frame="line", strength=1.0), shape, scale, origin).alpha
    rows, columns = np.flatnonzero(alpha.max(axis=1) > 0.3), np.flatnonzero(alpha.max(axis=0) > 0.3)
    if not len(rows):
        return (line.x, line.y, line.x, line.y)
    return (
        origin[0] + columns[0] / scale, origin[1] + rows[0] / scale, origin[0] + (columns[-1] + 1) / scale,
        origin[1] + (rows[-1] + 1) / scale,
    )  # fmt: skip


def _loosely(box: BoxMm, upright: bool, rng: np.random.Generator) -> BoxMm:
    """As a search finds it and the product widens it: a quarter to half a height more, or a little less."""
    left, top, right, bottom = box
    high = right - left if upright else bottom - top
    along = high * rng.uniform(0.0, 0.55, 2)
    across = high * rng.uniform(-0.02, 0.35, 2) if rng.random() < 0.85 else high * rng.uniform(0.2, 0.7, 2)
    if upright:
        along, across = across, along
    return (left - along[0], top - across[0], right + along[1], bottom + across[1])


def tile_of(strip: Grey, corners: Floats, words: str) -> Tile | None:
    """From a level strip in which the line's box has (4, 2) corners, TL TR BR BL; None if too long or too flat."""
    (x0, y0), (x1, y1) = corners[0], corners[2]
    scale = ROWS / max(float(y1 - y0), 1.0)
    wide = round(float(x1 - x0) * scale) + 2 * BESIDE
    if wide > WIDEST or wide < 2 * BESIDE + 16 or y1 - y0 < 6:
        return None
    source = cv2.GaussianBlur(strip, (0, 0), 0.4 / scale) if scale < 0.6 else strip
    move = np.array([[scale, 0, BESIDE - x0 * scale], [0, scale, (TALL - ROWS) / 2 - y0 * scale]], np.float64)
    grey = cv2.warpAffine(source, move, (wide, TALL), flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return Tile(np.asarray(grey, np.uint8), words)


def plain_tiles(
    pictures: Sequence[Grey], types: Sequence[Typeface], rng: np.random.Generator
) -> Iterator[Tile]:  # fmt: skip
    """Endless tiles, each drawn straight on a bit of a picture or of a mount."""
    while True:
        tile = _plain_tile(pictures, types, rng)
        if tile is not None:
            yield tile


def _plain_tile(pictures: Sequence[Grey], types: Sequence[Typeface], rng: np.random.Generator) -> Tile | None:
    scale = float(rng.uniform(8, 24))
    line = plain_line(types, rng)
    size = (line.width + 6.0, 2.2 * line.body + 5.0)
    if size[0] * scale > 3000:
        return None
    line = replace(line, x=size[0] / 2, y=size[1] / 2 + 0.3 * line.body)
    shape = (round(size[1] * scale), round(size[0] * scale))
    ground = ground_of(pictures, shape, rng)
    light = float(ground.mean())
    tone = rng.uniform(0.0, 0.3) if light > 0.5 else rng.uniform(0.75, 1.0)
    line = replace(line, tone=float(tone if rng.random() < 0.93 else rng.uniform(0, 1)))
    drawn = draw_line(line, shape, scale)
    beneath = ground[drawn.alpha > 0.5]
    if not line.words or not len(beneath) or abs(float(np.median(beneath)) - line.tone) < LEAST_STEP:
        return None
    sheet = ink_on(ground, drawn)
    if rng.random() < 0.35:  # another line above or below, as cards have
        other = replace(plain_line(types, rng), tone=line.tone)
        sign = float(rng.choice([-1, 1]))
        apart = sign * (0.62 * (line.body + other.body) * float(rng.uniform(0.85, 1.5)))
        sheet = ink_on(sheet, draw_line(replace(other, x=line.x, y=line.y + apart), shape, scale))
    grey = worn(sheet, scale, rng)
    level = stretched(grey, LinePairSettings().tone_mm * scale) if rng.random() < 0.9 else grey
    left, top, right, bottom = (scale * side for side in _loosely(ink_box(line, scale), False, rng))
    corners = np.array([[left, top], [right, top], [right, bottom], [left, bottom]], np.float32)
    return tile_of(level, corners, line.words)


def plain_line(types: Sequence[Typeface], rng: np.random.Generator) -> SetLine:
    kind = rng.choice(["book", "display", "hand"], p=[0.4, 0.15, 0.45])
    some = [one for one in types if one.lettering == kind]
    type_ = some[int(rng.integers(len(some)))]
    words = drawable(random_line(rng), type_)
    if kind == "hand" and rng.random() < 0.7:
        words = words if words != words.upper() else words.capitalize()
    body = float(rng.uniform(0.9, 2.7)) * (1.15 if kind == "hand" else 1.0)
    spacing = 0.0 if kind == "hand" or rng.random() < 0.5 else float(rng.uniform(0, 0.12))
    part, frame = ("mark", _one(MARK_FORMS, rng)) if rng.random() < 0.18 else ("name", "line")
    arc = float(rng.choice([45.0, 30.0, -45.0])) if rng.random() < 0.08 else 0.0
    return SetLine(
        words, part, type_, body, spacing, 0, 0, width_mm(words, type_, body, spacing),  # type: ignore[arg-type]
        float(rng.normal(0, 0.8)), arc, 0.1, float(rng.uniform(0.6, 1.0)), frame,  # type: ignore[arg-type]
    )  # fmt: skip


def ground_of(pictures: Sequence[Grey], shape: tuple[int, int], rng: np.random.Generator) -> Floats:
    """Paper, or a bit of a picture, 0..1."""
    if rng.random() < 0.4:
        return np.full(shape, rng.uniform(0.8, 0.97), np.float32)
    picture = pictures[int(rng.integers(len(pictures)))]
    share = float(rng.uniform(0.15, 0.9))
    wide = max(16, min(picture.shape[1], round(picture.shape[1] * share)))
    high = max(4, min(picture.shape[0], round(wide * shape[0] / shape[1])))
    top, left = (int(rng.integers(0, n - m + 1)) for n, m in zip(picture.shape, (high, wide), strict=True))
    bit = picture[top : top + high, left : left + wide]
    ground = cv2.resize(bit, (shape[1], shape[0]), interpolation=cv2.INTER_CUBIC).astype(np.float32) / 255
    if rng.random() < 0.3:  # paper, then the picture's edge
        edge = int(rng.integers(0, shape[0]))
        part = slice(edge, None) if rng.random() < 0.5 else slice(None, edge)
        ground[part] = np.float32(rng.uniform(0.85, 0.97))
    return np.asarray(ground, np.float32)


def worn(sheet: Floats, scale: float, rng: np.random.Generator) -> Grey:
    """Faded, stained, out of focus, noisy, and stored as a JPEG."""
    contrast = float(rng.choice([1.0, 0.8, 0.5, 0.3, 0.2, 0.12], p=[0.14, 0.22, 0.26, 0.22, 0.1, 0.06]))
    paper = float(rng.uniform(0.6, 0.95))
    grey: Floats = np.asarray(paper + (sheet - paper) * (contrast * rng.uniform(0.85, 1.1)), np.float32)
    if rng.random() < 0.6:
        cloud = smooth_field(grey.shape, rng, int(rng.integers(2, 9)))
        grey = np.asarray(grey * (1 + rng.uniform(0, 0.08) * cloud), np.float32)
    if rng.random() < 0.35:
        grey = _scratched(grey, rng)
    blur = float(rng.uniform(0.25, 1.0)) if rng.random() < 0.65 else float(rng.uniform(0.8, 2.2))
    shrunk = float(rng.uniform(7, 24))
    if shrunk < scale:  # as few pixels as a photo from afar has
        share = shrunk / scale
        grey = np.asarray(cv2.resize(grey, None, fx=share, fy=share, interpolation=cv2.INTER_AREA), np.float32)
    grey = np.asarray(cv2.GaussianBlur(grey, (0, 0), blur), np.float32)
    noise = float(rng.uniform(0.3, 4.5)) / 255
    pixels: Grey = np.clip((grey + rng.normal(0, noise, grey.shape)) * 255, 0, 255).astype(np.uint8)
    if rng.random() < 0.7:
        quality = [cv2.IMWRITE_JPEG_QUALITY, int(rng.integers(60, 95))]
        pixels = np.asarray(cv2.imdecode(cv2.imencode(".jpg", pixels, quality)[1], cv2.IMREAD_GRAYSCALE), np.uint8)
    if pixels.shape != sheet.shape:
        pixels = np.asarray(
            cv2.resize(pixels, (sheet.shape[1], sheet.shape[0]), interpolation=cv2.INTER_LINEAR), np.uint8
        )
    return pixels


def _scratched(grey: Floats, rng: np.random.Generator) -> Floats:
    high, wide = grey.shape
    for _ in range(int(rng.integers(1, 5))):
        ends = [(int(rng.integers(wide)), int(rng.integers(high))) for _ in range(2)]
        tone = float(np.clip(grey.mean() + rng.normal(0, 0.25), 0, 1))
        if rng.random() < 0.5:
            cv2.line(grey, ends[0], ends[1], tone, max(1, round(float(rng.uniform(0.5, 2.5)))), cv2.LINE_AA)
        else:
            cv2.circle(grey, ends[0], max(1, round(float(rng.uniform(0.01, 0.07)) * high)), tone, -1, cv2.LINE_AA)
    return grey


def card_tiles(
    negatives: Sequence[Negative], types: Sequence[Typeface], count: int, seed: int
) -> Iterator[Tile]:  # fmt: skip
    """All lines of `count` photos of cards and of their references' scans, each cut out in several ways."""
    _, asked = lettering_plan(negatives, types, count, seed, rough=True, asked=CHANGES)
    for query in asked:
        rng = np.random.default_rng([query.seed, seed, 9])
        card = replace(query.card, wording=said_otherwise(query.card.wording, rng))
        if rng.random() < 0.3:
            shot = scan(drawn_card(card, types, SCAN_PX_PER_MM), rng)
        else:
            shot = draw_lettering_query(replace(query, card=card), types)[1]
        photo, outline = seen(shot, rng)
        face = flatten(photo, outline)
        flat = Seen(face.grey, mm_to_face(face.size), face.size)
        corners = np.array([[0, 0], [1, 0], [1, 1], [0, 1]], np.float32) * [face.size.width_mm, face.size.height_mm]
        ends = np.asarray(outline.corners, np.float32)
        move = np.asarray(cv2.getPerspectiveTransform(corners.astype(np.float32), ends), np.float64)
        yield from _cut(card, (Seen(photo.grey, move, face.size), flat), rng)


def said_otherwise(wording: Wording, rng: np.random.Generator) -> Wording:
    """Set as it was, in words that say nothing."""

    def words(type_: Typeface) -> str:
        return drawable(random_line(rng), type_) or "I"

    mark = replace(wording.mark, words=words(wording.mark.type)) if wording.mark else None
    club = words(wording.small_type) if wording.club else ""
    return replace(wording, name=words(wording.type), club=club, mark=mark)


def on_card(card: LetteredCard) -> Callable[[BoxMm], BoxMm]:
    """From where a perfect cut would have a box, mm, to where this copy has it, cut and trimmed by hand."""
    caption, size = Caption.worded(card.wording), FaceSize()
    shape = (1500, 900)
    rng = np.random.default_rng([card.seed, 1])
    there, here = (where_printed(shape, card.crop, caption, one) for one in (None, rng))
    move = np.linalg.inv(here) @ there
    left, top, right, bottom = card.age.trimmed_mm
    stretch = np.array(
        [size.width_mm / (size.width_mm - left - right), size.height_mm / (size.height_mm - top - bottom)]
    )

    def moved(box: BoxMm) -> BoxMm:
        ends = np.array([[box[0], box[1], 1], [box[2], box[3], 1]]) @ move.T
        ends = (ends[:, :2] / ends[:, 2:] - [left, top]) * stretch
        return (float(ends[0, 0]), float(ends[0, 1]), float(ends[1, 0]), float(ends[1, 1]))

    return moved


def _cut(card: LetteredCard, pictures: Sequence[Seen], rng: np.random.Generator) -> Iterator[Tile]:
    move, size = on_card(card), FaceSize()
    for line in set_lines(card.wording):
        box = move(ink_box(line))
        inside = box[0] > -0.3 and box[1] > -0.3 and box[2] < size.width_mm + 0.3 and box[3] < size.height_mm + 0.3
        upright = abs(line.turn) > 45
        if not inside or box[2] <= box[0]:
            continue
        quarters = 0 if not upright else 3 if line.turn < 0 else 1
        for picture in pictures:
            loose = _loosely(box, upright, rng)
            settings = replace(LinePairSettings(), wider_mm=(0.0, 0.0), px_per_mm=float(rng.choice([16.0, 20.0])))
            tile = tile_of(*_cut_out(picture, loose, quarters, settings), line.words)
            if tile is not None:
                yield tile


def pictures_of(negatives: Sequence[Negative]) -> list[Grey]:
    """What plain tiles are drawn on."""
    return [negative_of(one.path, 600) for one in negatives]
