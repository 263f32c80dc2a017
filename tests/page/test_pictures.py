"""The pictures of the page that the README shows, made from the demo's cards where PLATEKIN_PICTURES names a folder.

PLATEKIN_PICTURES=.github scripts/test tests/page/test_pictures.py
"""

from __future__ import annotations

import io
import os
from pathlib import Path
from typing import Any

import pytest
from PIL import Image

from tests.page.conftest import Open, until
from tests.page.site import KNOWN, Site
from tests.page.test_review import CROP, laid

WANTED = os.environ.get("PLATEKIN_PICTURES", "")
MOST_BYTES = 250_000
GAP = 24
SHOWN = """[...document.images].every((one) => {
    const { left, top, width } = one.getBoundingClientRect();
    return one.complete || left > innerWidth || top > innerHeight || !width;
})"""

pytestmark = pytest.mark.skipif(not WANTED, reason="PLATEKIN_PICTURES names no folder for the README's pictures")


def picture(page: Any, height: int) -> Image.Image:
    """What the page shows from its top, once all its pictures are there."""
    until(page, SHOWN)
    page.evaluate("scrollTo(0, 0)")
    size = page.viewport_size["width"], height
    page.set_viewport_size({"width": size[0], "height": size[1]})
    return Image.open(io.BytesIO(page.screenshot())).convert("RGB")


def save(picture: Image.Image, name: str) -> None:
    path = Path(WANTED) / name
    picture.save(path, quality=70, optimize=True)
    assert path.stat().st_size < MOST_BYTES


def test_an_answer(site: Site, open_page: Open) -> None:
    page = open_page(site.address)
    page.set_input_files("#files", [site.stock.photo(KNOWN)])
    laid(page)
    save(picture(page, 900), "page-answer.jpg")


def test_a_review_in_the_dark_and_on_a_phone(site: Site, open_page: Open) -> None:
    address = f"{site.address}/review#{CROP}"
    desk = open_page(address, theme="dark")
    phone = open_page(address, size="phone", theme="dark", device_scale_factor=2)
    laid(desk)
    desk.keyboard.press("c")
    desk.locator(".crop-map .own").wait_for()
    laid(phone)
    until(phone, SHOWN)
    left = picture(desk, 900)
    right = Image.open(io.BytesIO(phone.screenshot())).convert("RGB")
    right = right.resize((round(right.width * left.height / right.height), left.height), Image.Resampling.LANCZOS)
    both = Image.new("RGB", (left.width + GAP + right.width, left.height), "white")
    both.paste(left, (0, 0))
    both.paste(right, (left.width + GAP, 0))
    save(both, "page-review.jpg")
