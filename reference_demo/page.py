"""The demo's scanned page: a `Plan` in; six cards on a flatbed scanner's glass, and what they show, out.

Four are copies of enrolled records, as the query photos show them; two are copies of one picture that is not enrolled.
"""

from __future__ import annotations

import io
from dataclasses import replace
from pathlib import Path

import numpy as np
from PIL import Image

from matcher.catalogue.records.files import write_whole
from matcher.lab.synthesis import SCAN_PX_PER_MM
from matcher.lab.synthesis.pages import page_of
from reference_demo.make import draw_card
from reference_demo.plan import Copy, Plan

KNOWN = 4
LEGIBLE = 0.3
"""Least residual contrast of the cards on the page."""


def page_cards(plan: Plan) -> list[tuple[Copy, str]]:
    """The cards in the order in which they lie, each with its record's id, '' where it has none."""
    legible = [q for q in plan.queries if q.copy.age.residual_contrast >= LEGIBLE and not q.is_reference_copy]
    known, unknown = ([q for q in legible if q.kind == kind] for kind in ("known", "unknown"))
    stranger = unknown[0].copy
    another = replace(stranger, copy_id=f"{stranger.copy_id}-2", seed=stranger.seed + 1)
    cards = [(query.copy, query.record_id) for query in known[:KNOWN]]
    return [*cards[:2], (stranger, ""), *cards[2:], (another, "")]


def draw_page(plan: Plan, folder: Path, seed: int) -> Path:
    """Write the page into a folder of its own, which is the lot."""
    cards = [draw_card(copy, SCAN_PX_PER_MM) for copy, _ in page_cards(plan)]
    page = page_of(cards, np.random.default_rng([seed, 5]), columns=3)
    out = io.BytesIO()
    Image.fromarray(page.pixels).save(out, "JPEG", quality=92, dpi=(page.dpi or 300, page.dpi or 300))
    write_whole(folder / "page1.jpg", out.getvalue(), keep=False)
    return folder / "page1.jpg"
