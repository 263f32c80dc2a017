"""The camera while it aims: Chromium's own fake device plays a drawn film of a card.

The film shows the card too far away, then with glare on its caption, then as it should be.
"""

from __future__ import annotations

import io
import os
from collections.abc import Iterator
from contextlib import contextmanager
from itertools import pairwise
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image

from matcher.catalogue import Catalogue
from matcher.core.detect.warp import warp_quad
from tests.page.conftest import PATIENCE_MS, SIZES, chromium, until
from tests.page.site import Site, Stock

WIDE, HIGH = 1440, 2160
"""Chromium cuts a taller film to the height that the page asks the camera for."""

ABOVE, CARD = 87, 1235
"""How far the page's frame lies above the film's middle, and how high a card is that fits it."""

REFERENCE, RECORD = 10, "V00013"
RATIO = 36.5 / 63.5
FILMED = 45
"""Frames of each scene: Chromium plays thirty a second."""

Pixels = NDArray[np.uint8]


def card(stock: Stock, high: int) -> Pixels:
    with Catalogue.open(stock.catalogue) as catalogue:
        row = catalogue.reference(REFERENCE)
        photo = np.asarray(Image.open(catalogue.image_path(row)).convert("RGB"))
    return warp_quad(photo, np.array(row.quad, np.float32), (round(high * RATIO), high))[0]


def frame(cut: Pixels, glare: bool = False) -> bytes:
    """A card on a dark table, where the page's frame lies on a phone; JPEG."""
    rng = np.random.default_rng(3)
    table = np.clip(rng.normal(62, 1.5, (HIGH, WIDE, 1)) * [0.9, 1, 1.05], 0, 255).astype(np.uint8)
    left, top = (WIDE - cut.shape[1]) // 2, round(HIGH / 2 - ABOVE - cut.shape[0] / 2)
    table[top : top + cut.shape[0], left : left + cut.shape[1]] = cut
    if glare:
        middle = (WIDE // 2, top + round(0.93 * cut.shape[0]))
        cv2.ellipse(table, middle, (cut.shape[1] // 3, 60), 0, 0, 360, (255, 255, 255), -1)
    out = io.BytesIO()
    Image.fromarray(table).save(out, "JPEG", quality=88)
    return out.getvalue()


@pytest.fixture
def film(small_stock: Stock, tmp_path: Path) -> Path:
    near = card(small_stock, CARD)
    scenes = (frame(card(small_stock, CARD // 2)), frame(near, glare=True), frame(near))
    path = tmp_path / "card.mjpeg"
    path.write_bytes(b"".join(one * FILMED for one in (*scenes, scenes[-1], scenes[-1])))
    return path


@contextmanager
def holding(browser: Any, *told: str, theme: str = "light") -> Iterator[Any]:
    """A page in a browser of its own: what the fake device does is said at its start."""
    arguments = [*told, *(["--no-sandbox"] if os.geteuid() == 0 else [])]
    opened = browser.browser_type.launch(executable_path=chromium(), args=arguments)
    context = opened.new_context(viewport=SIZES["phone"], has_touch=True, is_mobile=True, color_scheme=theme)
    context.set_default_timeout(PATIENCE_MS)
    yield context.new_page()
    opened.close()


LENT = "--use-fake-ui-for-media-stream"


@pytest.fixture
def phone(browser: Any, film: Path) -> Iterator[Any]:
    film_told = f"--use-file-for-fake-video-capture={film}"
    with holding(browser, "--use-fake-device-for-media-stream", LENT, film_told) as page:
        yield page


def test_aiming_says_what_to_change_and_the_shutter_is_answered(shared_site: Site, phone: Any) -> None:
    phone.goto(shared_site.address)
    phone.get_by_role("button", name="Take a photograph").click()
    phone.locator(".aim-frame").wait_for()
    hints = (
        "Closer: let the card fill the frame",
        "Glare on the caption: move the lamp or the phone",
        "Good: take it",
    )
    for words in hints:
        phone.locator(".aim-words", has_text=words).wait_for()
    phone.locator(".aim.good").wait_for()
    for wide in (SIZES["narrow"]["width"], SIZES["phone"]["width"]):  # no button lies upon the next
        phone.set_viewport_size({"width": wide, "height": SIZES["phone"]["height"]})
        places = [button.bounding_box() for button in phone.locator(".aim-bar button").all()]
        assert all(one["x"] + one["width"] < next_one["x"] for one, next_one in pairwise(places))
        assert places[-1]["x"] + places[-1]["width"] <= wide
    phone.get_by_role("button", name="Take the photograph").click()
    phone.locator("card-compare .candidate").first.wait_for()
    assert RECORD in phone.locator(".outcome").first.inner_text()
    assert phone.locator("dialog").count() == 0
    assert phone.locator(".strip-photo").inner_text().count("camera-") == 1


REFUSED = ("--use-fake-device-for-media-stream",)
NO_CAMERA = ("--use-fake-device-for-media-stream=device-count=0", LENT)


@pytest.mark.parametrize(
    ("told", "words"), [(REFUSED, "allow it in the browser's settings"), (NO_CAMERA, "No camera was found here")]
)
def test_without_a_camera_it_says_why_legibly_and_leads_to_the_phones_own(
    shared_site: Site, browser: Any, told: tuple[str, ...], words: str
) -> None:
    with holding(browser, *told) as page:
        page.goto(shared_site.address)
        page.get_by_role("button", name="Take a photograph").click()
        page.locator(".aim-words", has_text=words).wait_for()
        dialog = page.locator("dialog.aim")
        assert dialog.evaluate("box => getComputedStyle(box).backgroundColor") == "rgb(0, 0, 0)"  # the words are white
        assert not page.locator(".shutter").is_visible()
        with page.expect_file_chooser():
            page.get_by_role("button", name="Phone's camera").click()
        dialog.wait_for(state="detached")


def test_a_camera_that_comes_after_its_page_was_closed_is_put_off(shared_site: Site, browser: Any) -> None:
    with holding(browser, "--use-fake-device-for-media-stream", LENT) as page:
        page.add_init_script(
            """const lend = navigator.mediaDevices.getUserMedia.bind(navigator.mediaDevices);
            navigator.mediaDevices.getUserMedia = async (wish) => {
              await new Promise((resolve) => { window.answer = resolve; });
              window.lent = await lend(wish);
              return window.lent;
            };"""
        )
        page.goto(shared_site.address)
        page.get_by_role("button", name="Take a photograph").click()
        page.locator("dialog.aim").get_by_role("button", name="Close").click()
        page.evaluate("answer()")
        until(page, "window.lent && lent.getTracks().every((track) => track.readyState === 'ended')")


def test_a_camera_that_stops_is_told(shared_site: Site, browser: Any) -> None:
    with holding(browser, "--use-fake-device-for-media-stream", LENT) as page:
        page.goto(shared_site.address)
        page.get_by_role("button", name="Take a photograph").click()
        until(page, "document.querySelector('.aim video')?.videoWidth > 0")
        page.evaluate(
            "document.querySelector('.aim video').srcObject.getVideoTracks()[0].dispatchEvent(new Event('ended'))"
        )
        page.locator(".aim-words", has_text="The camera has stopped").wait_for()


def test_on_its_side_the_shutter_lies_beside_the_frame(shared_site: Site, browser: Any) -> None:
    with holding(browser, "--use-fake-device-for-media-stream", LENT) as page:
        page.set_viewport_size({"width": 844, "height": 390})
        page.goto(shared_site.address)
        page.get_by_role("button", name="Take a photograph").click()
        frame, shutter = page.locator(".aim-frame").bounding_box(), page.locator(".shutter").bounding_box()
        assert frame["x"] + frame["width"] <= shutter["x"]
        assert frame["y"] + frame["height"] <= 390
