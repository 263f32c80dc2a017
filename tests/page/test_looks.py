"""What every page keeps to: accessibility by an outside judge, weight, nothing from elsewhere, policy, both themes.

Outside sources: axe-core 4 (Deque) for WCAG 2.2 AA; WCAG 2.2, 1.4.10 for the width of 320 px.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import pytest

from tests.page.conftest import Open
from tests.page.site import KNOWN, Site, Stock, serving

axe = pytest.importorskip("axe_playwright_python.sync_playwright", reason="axe-core: pip install '.[dev]'")

MOST_BYTES = 200_000
SHOTS = os.environ.get("PLATEKIN_SCREENSHOTS", "")
RULES = {"runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]}
THEMES = ("light", "dark")
PAGES = {
    "identify": ("/", "#choose"),
    "review": ("/review#F00003", "card-compare .candidate"),
    "catalogue": ("/catalogue", ".cards img"),
    "record": ("/record?id=V00013", ".decisions li"),
    "find": ("/find?id=F00003", "card-compare .candidate"),
    "scarcity": ("/scarcity", ".plot svg"),
    "log": ("/log", ".decisions li"),
    "listing": ("/listing", "#ask"),
    "lot": ("/lot", "#lots li"),
}


def ready(page: Any, wanted: str) -> None:
    page.locator(wanted).first.wait_for()
    page.wait_for_load_state("networkidle")


def findings(page: Any) -> list[str]:
    """What axe-core finds that is serious or critical."""
    found = axe.Axe().run(page, options=RULES).response["violations"]
    grave = [one for one in found if one["impact"] in ("serious", "critical")]
    return [f"{one['id']}: {[node['html'][:90] for node in one['nodes']][:3]}" for one in grave]


def keep(page: Any, name: str) -> None:
    """A picture of the page, where somebody wants to look at it."""
    if SHOTS:
        Path(SHOTS).mkdir(parents=True, exist_ok=True)
        page.screenshot(path=f"{SHOTS}/{name}.png", full_page=True)


@pytest.mark.parametrize("size", ["desk", "laptop", "phone", "narrow"])
@pytest.mark.parametrize("name", PAGES)
def test_no_barrier_and_no_sideways_scrolling_in_either_theme(
    shared_site: Site, open_page: Open, name: str, size: str
) -> None:
    address, wanted = PAGES[name]
    page = open_page(shared_site.address + address, size=size, bypass_csp=True)  # for axe's own script
    ready(page, wanted)
    # Not innerWidth: a phone's browser makes that as wide as whatever sticks out.
    assert page.evaluate("document.documentElement.scrollWidth") <= page.viewport_size["width"]
    for theme in THEMES:
        page.emulate_media(color_scheme=theme)
        assert findings(page) == [], theme
        keep(page, f"{name}-{size}-{theme}")


def test_no_barrier_in_an_answer_and_in_any_way_of_comparing(shared_site: Site, open_page: Open) -> None:
    page = open_page(shared_site.address, bypass_csp=True)
    page.set_input_files("#files", [shared_site.stock.photo(KNOWN)])
    ready(page, "card-compare .candidate")
    for theme in THEMES:
        page.emulate_media(color_scheme=theme)
        for key in "bwdmctyo":
            page.keyboard.press(key)
            assert findings(page) == [], (key, theme)
            keep(page, f"answer-{key}-{theme}")
        page.keyboard.press("?")
        assert findings(page) == [], ("keys", theme)
        page.keyboard.press("Escape")


def test_no_barrier_where_something_went_wrong_or_is_asked(
    small_stock: Stock, site: Site, open_page: Open, tmp_path: Path
) -> None:
    """No picture, no such record, a decision that lacks something, like finds to be ticked, a token that is wanted."""
    page = open_page(site.address, size="phone", bypass_csp=True)
    page.set_input_files("#files", [{"name": "letter.jpg", "mimeType": "image/jpeg", "buffer": b"no picture"}])
    states: list[tuple[str, Callable[[], object]]] = [
        ("#bench .problem", lambda: None),
        ("#record .problem", lambda: page.goto(f"{site.address}/record?id=V99999")),
        ("card-compare .candidate", lambda: page.goto(f"{site.address}/review#F00004")),
        (".wrong .problem", lambda: page.get_by_role("button", name="Accept as a new record").click()),
        ("card-compare .candidate", lambda: page.goto(f"{site.address}/find?id=F00004")),  # away from the review
        ("card-compare .candidate", lambda: page.goto(f"{site.address}/review#F00002")),
        (".likes", lambda: page.get_by_role("button", name="Reject").click()),
    ]
    for wanted, lead in states:
        lead()
        ready(page, wanted)
        for theme in THEMES:
            page.emulate_media(color_scheme=theme)
            assert findings(page) == [], (wanted, theme)
    with serving(small_stock, tmp_path / "asked", tokens_needed=True) as closed:
        page.goto(f"{closed.address}/review")
        ready(page, "dialog[open]")
        for theme in THEMES:
            page.emulate_media(color_scheme=theme)
            assert findings(page) == [], ("sign in", theme)


@pytest.mark.parametrize("name", PAGES)
def test_light_and_from_nowhere_else(shared_site: Site, open_page: Open, name: str) -> None:
    page = open_page("about:blank")
    bodies: dict[str, int] = {}
    hosts: set[str] = set()

    def note(response: Any) -> None:
        place = urlsplit(response.url)
        hosts.add(place.netloc)
        if not place.path.startswith("/v1/"):
            bodies[place.path] = len(response.body())

    page.on("response", note)
    address, wanted = PAGES[name]
    page.goto(shared_site.address + address)
    ready(page, wanted)
    assert hosts == {urlsplit(shared_site.address).netloc}
    assert 5_000 < sum(bodies.values()) <= MOST_BYTES, bodies


def test_the_policy_forbids_what_the_page_does_not_need(shared_site: Site, open_page: Open) -> None:
    page = open_page(f"{shared_site.address}/log", deaf=True)
    answer = page.request.get(f"{shared_site.address}/")
    policy = answer.headers["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "unsafe" not in policy
    html = answer.text()
    assert "<style" not in html
    assert " style=" not in html
    assert "<script>" not in html
    tried = page.evaluate(
        """() => {
            const told = [];
            try { document.body.innerHTML = "<b>x</b>"; } catch (error) { told.push(error.name); }
            const script = document.createElement("script");
            try { script.textContent = "window.ran = 1"; } catch (error) { told.push(error.name); }
            document.body.append(script);
            return [told, window.ran ?? null];
        }"""
    )
    assert tried == [["TypeError", "TypeError"], None]  # no text becomes markup or a script


def test_on_paper_nothing_is_left_to_press(shared_site: Site, open_page: Open) -> None:
    page = open_page(f"{shared_site.address}/record?id=V00013")
    ready(page, ".decisions li")
    page.emulate_media(media="print")
    assert not page.locator("button:visible, nav:visible, input:visible").count()
    assert page.locator(".record-viewer img").first.is_visible()
    keep(page, "record-print")
