"""The hands that draw for learning: wear, prints and other exposures as each draws them, by no code of another's.

Checked against what wear, prints and movement are, whoever draws them: what is covered is told, a print moves no edge,
an exposure of a moment later is the same picture but for what has moved.
"""

from __future__ import annotations

import pickle
import sys
from collections.abc import Mapping
from functools import partial
from itertools import combinations
from types import CodeType, FunctionType

import cv2
import numpy as np
import pytest

from matcher.lab.evaluation.other_hand import OTHER_HAND
from matcher.lab.evaluation.other_wear import OTHER_KINDS
from matcher.lab.synthesis.hands import HANDS, LaidBy
from matcher.lab.synthesis.printing import Card
from matcher.lab.synthesis.prints import Field
from matcher.lab.synthesis.shapes.worn_sheet import WornSheet
from matcher.lab.synthesis.strokes import Worn
from matcher.lab.synthesis.wear import KINDS as WEAR
from matcher.lab.synthesis.wear import worn
from tests.support.faces import face_of, picture

KINDS = [(name, kind) for name, hand in HANDS.items() for kind in dict.fromkeys(hand.kinds)]
EVERY_HAND = {**HANDS, OTHER_HAND.name: OTHER_HAND}
NEW_HANDS = [name for name in EVERY_HAND if name != "own"]
VISIBLE = 0.05
"""A change of grey that the eye sees."""


@pytest.fixture(scope="module")
def view() -> Field:
    return face_of(picture(61)).grey.astype(np.float32) / np.float32(255)


def drawn(name: str, kind: str, view: Field, seed: int) -> Worn:
    """One kind of one hand's, at full strength."""
    hurt, rng = HANDS[name].hurt, np.random.default_rng(seed)
    return hurt.kinds[kind](view, rng, 1.0) if isinstance(hurt, LaidBy) else worn(view, [kind], rng, 1.0)


@pytest.mark.parametrize(("name", "kind"), KINDS)
def test_a_wear_is_seen_says_what_it_hides_and_comes_again_by_its_seed(name: str, kind: str, view: Field) -> None:
    untouched, small = view.copy(), np.asarray(cv2.resize(view, (250, 410), interpolation=cv2.INTER_AREA), np.float32)
    made = [drawn(name, kind, one, seed) for seed, one in ((1, view), (2, view), (2, view), (1, small))]
    changes = []
    for one, (after, share) in zip((view, view, view, small), made, strict=True):
        assert after.dtype == share.dtype == np.float32
        assert after.shape == share.shape == one.shape
        assert 0 <= after.min() <= after.max() <= 1
        assert 0 <= share.min() <= share.max() <= 1
        changes.append(np.abs(after - one).max())
    assert np.array_equal(view, untouched)
    assert min(changes[:3]) > VISIBLE
    assert changes[3] > 0
    assert all(np.array_equal(first, again) for first, again in zip(made[1], made[2], strict=True))
    assert not np.array_equal(made[0][0], made[1][0])


@pytest.mark.parametrize(("name", "kind"), KINDS)
def test_where_nothing_is_hidden_the_picture_shows_through(name: str, kind: str, view: Field) -> None:
    # Light may fall otherwise there; what is a little lighter before it is so, or no darker, after it too.
    calm = 0.1 + 0.8 * view
    lighter = calm + np.float32(0.02) * (np.indices(view.shape).sum(0) // 3 % 2).astype(np.float32)
    for seed in (1, 2):
        (one, share), (other, others) = (drawn(name, kind, before, seed) for before in (calm, lighter))
        open_ = (share == 0) & (others == 0)
        shown = (other - one)[open_ & (lighter > calm)]
        assert (shown > -1e-5).all()
        assert (shown < 0.002).sum() < 0.0005 * view.size
        assert np.abs(other - one)[open_ & (lighter == calm)].max(initial=0) < 1e-5


@pytest.mark.parametrize("strength", [0.4, 1.2])
@pytest.mark.parametrize("name", EVERY_HAND)
def test_a_print_has_other_tones_and_the_same_edges(name: str, strength: float, view: Field) -> None:
    rendered, (top, bottom, left, right) = EVERY_HAND[name].rendered, (120, 520, 110, 260)
    plate = np.full(view.shape, 0.25, np.float32)
    plate[top:bottom, left:right] = 0.75
    for seed in range(6):
        made = rendered(plate, strength, np.random.default_rng(seed))
        across = np.abs(np.diff(made[top + 80 : bottom - 80].mean(0)))
        down = np.abs(np.diff(made[:, left + 30 : right - 30].mean(1)))
        for slope, edges in ((across, (left, right)), (down, (top, bottom))):
            half = len(slope) // 2
            found = slope[:half].argmax() + 1, half + slope[half:].argmax() + 1
            assert max(abs(a - b) for a, b in zip(found, edges, strict=True)) <= 1
    prints = [rendered(view, strength, np.random.default_rng(seed)) for seed in (1, 1, 2)]
    assert np.array_equal(prints[0], prints[1])
    assert all(np.abs(a - b).mean() > 0.01 for a, b in ((prints[0], view), (prints[0], prints[2])))
    assert all(one.dtype == np.float32 and 0 <= one.min() <= one.max() <= 1 for one in prints)


def fine(view: Field) -> Field:
    return view - np.asarray(cv2.GaussianBlur(view, (0, 0), 2), np.float32)


@pytest.mark.parametrize("name", NEW_HANDS)
def test_another_moment_leaves_all_but_what_moved_and_fades_nothing(name: str, view: Field) -> None:
    still, detail, ghosts = [], [], []
    for seed in range(10):
        after = EVERY_HAND[name].another_moment(view, np.random.default_rng(seed))
        assert after.dtype == np.float32
        assert after.shape == view.shape
        assert 0 <= after.min() <= after.max() <= 1
        change = np.abs(after - view)
        assert (change > VISIBLE).mean() > 0.002
        assert change.max() > 4 * VISIBLE
        still.append((change == 0).mean())
        # Where something else stands now, nothing is left of what stood there: no ghost, as of a half-faded picture.
        now, before = (fine(one)[change > VISIBLE] for one in (after, view))
        ghosts.append(np.corrcoef(now, before)[0, 1])
        detail.append(now.std() / before.std())
        assert np.abs(np.quantile(after, [0.05, 0.5, 0.95]) - np.quantile(view, [0.05, 0.5, 0.95])).max() < 0.05
    assert np.median(still) > 0.6
    assert np.median(detail) > 0.8
    assert np.median(ghosts) < 0.1
    assert max(ghosts) < 0.3
    again = [EVERY_HAND[name].another_moment(view, np.random.default_rng(3)) for _ in range(2)]
    assert np.array_equal(again[0], again[1])


@pytest.mark.parametrize("name", EVERY_HAND)
def test_hands_can_be_sent_to_other_processes(name: str) -> None:
    sent = pickle.loads(pickle.dumps(EVERY_HAND))[name]
    assert (sent.name, sent.kinds) == (name, EVERY_HAND[name].kinds)
    pixels = np.repeat(face_of(picture(61)).grey[..., None], 3, axis=2)
    card = Card(pixels, np.full(pixels.shape[:2], 255, np.uint8), 10.0)
    one, other = (hand.hurt(card, hand.kinds[0], 0.5, np.random.default_rng(2)) for hand in (EVERY_HAND[name], sent))
    assert np.array_equal(one.pixels, other.pixels)
    assert not np.array_equal(one.pixels, pixels)


def code_of(*things: object) -> set[CodeType]:
    """The code of the lab's that these may come to run, however deep; rather too much of it than too little."""
    found: set[CodeType] = set()
    ahead = list(things)
    seen: list[object] = []
    while ahead:
        thing = ahead.pop()
        if any(thing is one for one in seen):
            continue
        seen.append(thing)
        if isinstance(thing, (tuple, list)):
            ahead += thing
        elif isinstance(thing, Mapping):
            ahead += thing.values()
        elif isinstance(thing, partial):
            ahead += [thing.func, *thing.args]
        elif isinstance(thing, FunctionType) and thing.__module__.startswith("matcher.lab."):
            its = [thing.__code__, *nested(thing.__code__)]
            written = sys.modules[thing.__module__].__file__  # what `dataclass` adds to a class stands elsewhere
            found |= {code for code in its if code.co_filename == written}
            names = {name for code in its for name in code.co_names}
            ahead += [thing.__globals__[name] for name in names & set(thing.__globals__)]
        elif isinstance(thing, type) and thing.__module__.startswith("matcher.lab."):
            ahead += [*vars(thing).values(), *thing.__bases__]
        elif type(thing).__module__.startswith("matcher.lab."):
            ahead += [type(thing), vars(thing)]
    return found


def nested(code: CodeType) -> list[CodeType]:
    inner = [const for const in code.co_consts if isinstance(const, CodeType)]
    return inner + [deeper for one in inner for deeper in nested(one)]


def test_who_reports_draws_by_a_hand_that_nobody_learns_from() -> None:
    assert OTHER_HAND.name not in HANDS
    assert OTHER_HAND not in HANDS.values()
    everything = code_of(OTHER_HAND.hurt, OTHER_HAND.rendered, OTHER_HAND.another_moment)
    assert {kind.__code__ for kind in OTHER_KINDS.values() if isinstance(kind, FunctionType)} < everything
    assert min(len(code_of(OTHER_HAND.rendered)), len(code_of(OTHER_HAND.another_moment))) > 10
    for hand in HANDS.values():
        assert len(code_of(hand.hurt)) > 20
        assert not everything & code_of(hand.hurt, hand.rendered, hand.another_moment)


def test_hands_share_no_way_of_drawing() -> None:
    for one, other in combinations(HANDS.values(), 2):
        drawn_by = [
            code_of(hand.hurt.kinds if isinstance(hand.hurt, LaidBy) else WEAR, hand.rendered, hand.another_moment)
            for hand in (one, other)
        ]
        assert all(len(codes) > 20 for codes in drawn_by)
        assert not drawn_by[0] & drawn_by[1]


def test_a_fold_that_passes_the_card_by_still_lies_on_it() -> None:
    view = np.full((320, 184), 0.5, np.float32)
    after, _ = HANDS["shapes"].hurt.kinds["creases"](view, np.random.default_rng(3497), 1.0)  # type: ignore[attr-defined]
    assert after.shape == view.shape


@pytest.mark.parametrize("seed", range(12))
def test_a_label_casts_no_shadow_round_the_card(seed: int) -> None:
    card, mask = WornSheet(np.full((320, 184), 0.5, np.float32), np.random.default_rng(seed), 1.0), np.zeros((320, 184))
    mask[:, :20] = 1
    card.relief(mask.astype(np.float32), 4.0, 0.6)
    assert np.abs(card.picture[:, 140:] - 0.5).max() < 1e-6
