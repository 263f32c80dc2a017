"""What goes wrong on the way: a network that is cut in the middle of a photo, files too large, markup that is typed."""

from __future__ import annotations

import socket
import threading
from contextlib import closing, suppress
from pathlib import Path
from typing import Any

import pytest

from matcher.catalogue import Catalogue
from tests.page.conftest import Open, until
from tests.page.site import KNOWN, NEW_CROP, Site
from tests.page.test_review import CAPTION, laid, review, said, shows

HEIC = Path(__file__).with_name("photo.heic")
"""The stock's q002.jpg, upright, at 1000 px, written by libheif (pillow-heif, quality 45)."""

MARKUP = '<img src=x onerror="window.ran=1">'


class Wire:
    """A network between browser and service: passes everything on until `most` bytes were sent up.

    Then it is cut, also for what is tried anew (Chromium does so by itself), until it is mended.
    """

    def __init__(self, site: Site) -> None:
        self._to = ("127.0.0.1", int(site.address.rsplit(":", 1)[1]))
        self._heard = socket.create_server(("127.0.0.1", 0))
        self.address = f"http://127.0.0.1:{self._heard.getsockname()[1]}"
        self.most = 0
        self.is_cut = False
        self._passed = 0
        threading.Thread(target=self._serve, daemon=True).start()

    def _serve(self) -> None:
        with suppress(OSError):  # until closed
            while True:
                near, _ = self._heard.accept()
                if self.is_cut:
                    near.close()
                    continue
                far = socket.create_connection(self._to)
                for here, there, is_up in ((near, far, True), (far, near, False)):
                    threading.Thread(target=self._pass_on, args=(here, there, is_up), daemon=True).start()

    def _pass_on(self, here: socket.socket, there: socket.socket, is_up: bool) -> None:
        with suppress(OSError):
            while data := here.recv(16_384):
                self._passed += len(data) if is_up else 0
                if 0 < self.most < self._passed:
                    self.is_cut = True
                if self.is_cut:
                    break
                there.sendall(data)
        for one in (here, there):
            with suppress(OSError):
                one.shutdown(socket.SHUT_RDWR)
        here.close()  # each of the two threads closes its own

    def mend(self) -> None:
        self.most, self.is_cut = 0, False

    def close(self) -> None:
        self._heard.close()


def test_the_network_is_cut_in_the_middle_of_a_photo(shared_site: Site, open_page: Open) -> None:
    with closing(Wire(shared_site)) as wire:
        page = open_page(wire.address)
        page.wait_for_load_state("networkidle")
        photo = shared_site.stock.photo(KNOWN)
        wire.most = photo.stat().st_size // 2
        page.set_input_files("#files", [photo])
        told = page.locator("#bench .problem")
        told.wait_for()
        assert "The service does not answer" in told.inner_text()
        assert page.locator(".strip-photo img").is_visible()  # the photo is still there
        wire.mend()
        page.get_by_role("button", name="Try again").click()
        page.locator(".outcome", has_text="V00013").wait_for()


def test_the_network_is_cut_in_the_middle_of_a_lot(site: Site, open_page: Open) -> None:
    """What came before stays; the rest is sent on, and nothing is there twice."""
    with closing(Wire(site)) as wire:
        page = open_page(f"{wire.address}/lot")
        page.wait_for_load_state("networkidle")
        photos = [site.stock.photo(name) for name in (KNOWN, NEW_CROP)]
        wire.most = photos[0].stat().st_size + photos[1].stat().st_size // 2
        page.set_input_files("#files", photos)
        page.get_by_role("button", name="Send them").click()
        page.locator("#wrong .unsent").wait_for()
        wire.mend()
        page.get_by_role("button", name="Send the remaining").click()
        page.get_by_text("All sent").wait_for()
        page.locator(".lot-far", has_text="2 scans done").wait_for()


@pytest.mark.parametrize("address", ["/", "/listing", "/lot"])
def test_a_file_of_300_mb_is_not_sent(shared_site: Site, open_page: Open, tmp_path: Path, address: str) -> None:
    large = tmp_path / "scan.tif"
    with large.open("wb") as stream:
        stream.truncate(300_000_000)
    page = open_page(shared_site.address + address)
    sent: list[str] = []
    page.on("request", lambda request: sent.append(request.url) if request.method == "POST" else None)
    page.wait_for_load_state("networkidle")
    page.set_input_files("#files", [large])
    told = page.locator(".problem").first
    told.wait_for()
    assert "300 MB" in told.inner_text()
    assert "60 MB" in told.inner_text()
    assert sent == []


def test_a_telephones_heic_photo_is_answered(shared_site: Site, open_page: Open) -> None:
    pytest.importorskip("pi_heif", reason="HEIC wants platekin[heic]")
    page = open_page(shared_site.address)
    page.set_input_files("#files", [HEIC])
    page.locator(".outcome", has_text="V00013").wait_for()
    until(page, "document.querySelector('.outline-frame img').naturalWidth > 0")  # shown re-encoded


def test_what_was_typed_is_text_everywhere(site: Site, open_page: Open) -> None:
    page = review(open_page, site, CAPTION)
    said(page, caption=MARKUP)
    page.get_by_text("More: negative").click()
    page.get_by_label("Note for the log").fill(MARKUP)
    page.get_by_role("button", name="Accept as a new record").click()
    page.locator(".toast", has_text=CAPTION).wait_for()
    with Catalogue.open(site.folder) as catalogue:
        (made,) = [one.record_id for one in catalogue.records() if one.caption == MARKUP]
    for address in (f"/record?id={made}", f"/catalogue?name={made}", "/log", f"/find?id={CAPTION}"):
        page.goto(site.address + address)
        page.get_by_text(MARKUP).first.wait_for()
        assert page.evaluate("[window.ran ?? null, document.querySelector('img[src=x]')]") == [None, None]


def test_the_review_starts_at_the_first_that_is_undecided(site: Site, open_page: Open) -> None:
    page = review(open_page, site)
    shows(page, CAPTION)
    page.keyboard.press("r")
    shows(page, "F00002")
    page.goto(f"{site.address}/review")
    shows(page, "F00002")
    assert "3 to decide" in page.locator("#count").inner_text()


# A lot that two windows look at


def lot_with_a_decision(page: Any, site: Site) -> None:
    page.goto(f"{site.address}/lot")
    page.set_input_files("#files", [site.stock.photo(NEW_CROP)])
    page.get_by_role("button", name="Send them").click()
    page.locator(".lot-far", has_text="1 scan done").wait_for()
    at_work(page)


def at_work(page: Any) -> None:
    """In the full-screen mode, with the evidence of the first card."""
    page.get_by_role("button", name="Work through 1 card").click()
    laid(page)


def test_a_lots_typed_words_survive_a_reload(site: Site, open_page: Open) -> None:
    page = open_page(site.address)
    lot_with_a_decision(page, site)
    page.get_by_label("Caption, as printed").fill("W. Invented")
    page.reload()  # it stands where it stood
    page.locator("dialog.mode .outcome", has_text="New").wait_for()
    assert page.get_by_label("Caption, as printed").input_value() == "W. Invented"


def test_two_windows_decide_the_same_card_of_a_lot(site: Site, open_page: Open) -> None:
    first = open_page(site.address)
    lot_with_a_decision(first, site)
    second = open_page(first.url)
    at_work(second)
    said(second)
    first.keyboard.press("r")
    first.get_by_text("All of these are decided").wait_for()
    second.get_by_role("button", name="New record").click()
    second.locator(".wrong .problem").wait_for()
    assert second.get_by_label("Caption, as printed").input_value() == "W. Invented"
    second.get_by_role("button", name="Show it as it is now").click()
    second.locator(".outcome", has_text="Decided").wait_for()
    with Catalogue.open(site.folder) as catalogue:
        assert not [one for one in catalogue.records() if one.caption == "W. Invented"]
