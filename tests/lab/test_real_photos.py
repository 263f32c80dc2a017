"""The list of real photographs: each can be found and checked again, and no source is in both halves."""

from __future__ import annotations

import re

import numpy as np

from matcher.core.detect.geometry import is_convex
from matcher.lab.evaluation.real_photos import HALVES, listed


def test_sixty_are_listed_each_once_with_where_it_is_from() -> None:
    photos = listed()
    assert len(photos) >= 60
    assert len({one.sha256 for one in photos}) == len(photos)
    for one in photos:
        # Git and SHA-256 write their digests in 40 and 64 hexadecimal digits.
        assert re.fullmatch(r"[0-9a-f]{40}", one.commit), one.path
        assert re.fullmatch(r"[0-9a-f]{64}", one.sha256), one.path
        assert one.licence in ("MIT", "Apache-2.0"), one.path


def test_nothing_of_a_source_that_bounds_were_set_on_is_reported_apart() -> None:
    bounds, report = ({one.repository for one in listed() if one.half == half} for half in HALVES)
    assert bounds
    assert report
    assert not bounds & report


def test_corners_go_round_a_card_within_its_picture() -> None:
    for one in listed():
        assert bool(is_convex(one.corners)), one.path
        beyond = 0.05 * max(one.size)
        assert (one.corners >= -beyond).all(), one.path
        assert (one.corners <= np.array(one.size) + beyond).all(), one.path
