"""Where on a card is the photograph, and where its mount? Truth comes from the drawing."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from matcher.core.align.alignment import align
from matcher.core.align.print_area import print_area
from matcher.core.align.view import View
from matcher.core.flatten import Face
from matcher.core.ladder.registered import Registered, Side
from matcher.core.ladder.verification import Verifier
from matcher.core.reference_set import KnownRecord
from tests.core.ladder.test_ladder import UNSCALED
from tests.core.ladder.test_verification import InMemory
from tests.support.faces import SIZE, picture

Bools = NDArray[np.bool_]
PALE, DARK = 225, 40
MM = SIZE.px_per_mm


def shape_of(kind: str, by: tuple[float, float] = (0.0, 0.0)) -> Bools:
    """Where a print of 29 x 46 mm lies that was pasted `by` mm off its place."""
    mask = np.zeros((SIZE.height, SIZE.width), np.uint8)
    left, top, right, bottom = (round(side * MM) for side in (3.5 + by[0], 4.0 + by[1], 32.5 + by[0], 50.0 + by[1]))
    if kind == "rectangle":
        mask[top:bottom, left:right] = 1
    else:
        middle, half = ((left + right) // 2, (top + bottom) // 2), ((right - left) // 2, (bottom - top) // 2)
        cv2.ellipse(mask, middle, half, 0, 0, 360, 1, -1)
        if kind == "arch":
            mask[middle[1] : bottom, left:right] = 1
    return mask > 0


def on_mount(
    kind: str,
    mount: int = PALE,
    seed: int = 61,
    by: tuple[float, float] = (0.0, 0.0),
    zoom: float = 1.0,
    noise: int = 1,
) -> Face:
    """A print on its mount, with a caption and a rule below and beside it; zoom: of the window of its negative."""
    grey = np.full((SIZE.height, SIZE.width), mount, np.float32) + np.linspace(-8, 8, SIZE.width, dtype=np.float32)
    ink = 30 if mount > 128 else 200
    printed = np.zeros(grey.shape, np.uint8)
    cv2.putText(printed, "Jonas Harlesk", (70, 580), cv2.FONT_HERSHEY_SIMPLEX, 0.9, 255, 2, cv2.LINE_AA)
    cv2.line(printed, (20, 10), (20, 625), 255, 2, cv2.LINE_AA)
    grey += (ink - grey) * (printed / np.float32(255))
    middle = np.array([SIZE.width / 2 + by[0] * MM, 27 * MM + by[1] * MM])
    move = np.array([[1.3 / zoom, 0, 260 - 1.3 / zoom * middle[0]], [0, 1.3 / zoom, 420 - 1.3 / zoom * middle[1]]])
    size = (SIZE.width, SIZE.height)
    shown = cv2.warpAffine(picture(seed), move, size, flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP)
    inside = shape_of(kind, by)
    grey[inside] = 20 + 0.75 * shown[inside]
    noisy = grey + np.random.default_rng(noise).normal(0, 2, grey.shape)
    return Face.from_pixels(np.repeat(np.clip(noisy, 0, 255).astype(np.uint8)[..., None], 3, axis=2))


@pytest.mark.parametrize("mount", [PALE, DARK])
@pytest.mark.parametrize("kind", ["rectangle", "oval", "arch"])
def test_the_print_is_told_from_its_mount_whatever_is_printed_on_that(kind: str, mount: int) -> None:
    found, wanted = print_area(on_mount(kind, mount)), shape_of(kind)
    assert found is not None
    assert (found & wanted).sum() / (found | wanted).sum() > 0.95


def test_a_print_without_a_mount_has_none_nor_one_whose_backdrop_runs_into_it() -> None:
    whole = on_mount("rectangle")
    full = np.clip(0.75 * cv2.resize(picture(61), (SIZE.width, SIZE.height)), 0, 255).astype(np.uint8)
    assert print_area(replace(whole, grey=full)) is None
    vignette = np.full((SIZE.height, SIZE.width), PALE, np.uint8)  # a head and shoulders on pale ground
    cv2.circle(vignette, (184, 180), 60, 90, -1)
    cv2.fillPoly(vignette, [np.array([[150, 220], [218, 220], [330, 520], [40, 520]])], 70)
    assert print_area(replace(whole, grey=vignette)) is None


def test_another_cut_of_one_negative_is_laid_on_it_though_mount_and_caption_keep_their_places() -> None:
    """It was laid with mount on mount: 'something else is shown over 49 %'."""
    narrow, wide = on_mount("oval", zoom=1.0), on_mount("oval", zoom=1.25, noise=2)
    references = InMemory([narrow], [KnownRecord("V1", "Some One", "P1", "A", "")])
    (known,) = references.of_pose("P1")
    found = Verifier(View(wide), references, UNSCALED).register(known)
    assert found.alignment.scale == pytest.approx(1 / 1.25, abs=0.01)
    assert found.alignment.correlation > 0.7  # laid by its mount: 0.49


def test_a_view_of_the_print_alone_registers_what_is_in_it_alone() -> None:
    one, other = (View(on_mount("rectangle", by=(shift, 0.0), noise=n)) for n, shift in enumerate((0.0, 0.8), 1))
    assert one.of_print is not None
    assert other.of_print is not None
    laid = align(one.of_print, other.of_print)
    assert laid.transform[0, 2] == pytest.approx(0.8 * MM, abs=0.6)
    assert View(replace(one.face, grey=np.full_like(one.face.grey, 128))).of_print is None


def test_where_either_shows_its_mount_is_known_on_the_query() -> None:
    one, other = on_mount("oval", noise=1), on_mount("oval", by=(1.0, 0.0), noise=2)
    laid = align(View(one), View(other))
    mounts = Registered(Side(one), Side(other), laid).mounts
    assert mounts is not None
    both = shape_of("oval") & ~mounts
    assert both.sum() > 0.9 * shape_of("oval").sum()
    assert mounts[~shape_of("oval")].mean() > 0.95
