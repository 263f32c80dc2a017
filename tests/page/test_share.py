"""What is sent of an answer: a picture, a PDF, a sentence, each with card, reference, findings and caution."""

from __future__ import annotations

import io
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image

from tests.page.conftest import Open, until
from tests.page.site import KNOWN, Site
from tests.page.test_identify import answered, give

CAUTION = "no proof that a card is genuine or unaltered, no grade, no value"
FOUND = ("Negative: the same", "Crop: the same", "Caption: the same")
LISTENING = """
    window.written = [];
    const fillText = CanvasRenderingContext2D.prototype.fillText;
    CanvasRenderingContext2D.prototype.fillText = function (words, ...more) {
        window.written.push(words);
        return fillText.call(this, words, ...more);
    };
    window.placed = [];
    const drawImage = CanvasRenderingContext2D.prototype.drawImage;
    CanvasRenderingContext2D.prototype.drawImage = function (image, ...more) {
        window.placed.push([new URL(image.src).pathname, ...more.map(Math.round)]);
        return drawImage.call(this, image, ...more);
    };
"""


def an_answer(open_page: Open, site: Site, **more: Any) -> Any:
    page = open_page("about:blank", **more)
    page.context.add_init_script(LISTENING)
    page.goto(site.address)
    give(page, site, KNOWN)
    answered(page)
    until(page, "[...document.querySelectorAll('card-compare .sheet img')].every((one) => one.naturalWidth)")
    return page


def grey(data: bytes, size: tuple[int, int]) -> NDArray[np.float64]:
    return np.asarray(Image.open(io.BytesIO(data)).convert("L").resize(size), float)


def test_the_picture_holds_card_reference_findings_and_caution(shared_site: Site, open_page: Open) -> None:
    page = an_answer(open_page, shared_site)
    with page.expect_download() as told:
        page.get_by_role("button", name="Save as a picture").click()
    assert told.value.suggested_filename == f"{KNOWN}-platekin.png"
    sent = Image.open(told.value.path()).convert("L")
    written = " ".join(page.evaluate("window.written"))
    assert written.startswith("Known: V00013")
    for words in (*FOUND, "Printed on V00013: Oskar Dunelby", "This card", "V00013, reference 10", CAUTION):
        assert words in written
    placed = page.evaluate("window.placed")
    assert [path.rsplit("/", 1)[1] for path, *_ in placed] == ["face", "laid"]
    for path, left, top, wide, high in placed:  # what was sent shows them, where they were placed
        there = np.asarray(sent.crop((left, top, left + wide, top + high)), float)
        original = grey(page.request.get(shared_site.address + path).body(), (wide, high))
        assert np.corrcoef(there.ravel(), original.ravel())[0, 1] > 0.95


def test_the_pdf_holds_the_same(shared_site: Site, open_page: Open) -> None:
    pdfium = pytest.importorskip("pypdfium2", reason="reading a PDF needs pypdfium2: pip install '.[pdf]'")
    page = an_answer(open_page, shared_site)
    # What a screen reader is told stands below all else: with more than a few words of it, it made a sheet of its own.
    page.evaluate("document.getElementById('told').textContent = 'kept '.repeat(40)")
    document = pdfium.PdfDocument(page.pdf())
    assert len(document) == 1
    words = " ".join(" ".join(one.get_textpage().get_text_range() for one in document).split())
    assert "Known V00013" in words
    assert "no proof that a card is genuine or unaltered" in words
    for rung in ("Negative", "Crop", "Caption", "Copy"):
        assert rung in words
    shown = [one for one in document[0].get_objects() if one.type == pdfium.raw.FPDF_PAGEOBJ_IMAGE]
    assert len(shown) >= 2, "card and reference stand on the first page"
    page.emulate_media(media="print")
    for pane in page.locator(".stage .pane").all():  # whole, and not as they were laid out for the screen
        frame, picture = pane.bounding_box(), pane.locator("img").first.bounding_box()
        assert frame is not None
        assert picture is not None
        assert picture["x"] + picture["width"] <= frame["x"] + frame["width"] + 1
        assert picture["y"] + picture["height"] <= frame["y"] + frame["height"] + 1


def test_the_sentence_is_copied_with_its_caution(shared_site: Site, open_page: Open) -> None:
    page = an_answer(open_page, shared_site, permissions=["clipboard-read", "clipboard-write"])
    page.get_by_role("button", name="Copy as a sentence").click()
    page.locator(".toast", has_text="copied").wait_for()
    copied = page.evaluate("navigator.clipboard.readText()")
    assert copied.startswith("Known: V00013")
    assert copied.endswith(f"{CAUTION}.")
