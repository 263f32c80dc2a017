"""A decision on a lot that is refused leaves everything as it was; what is left to confirm is told."""

from __future__ import annotations

import pytest
from typer.testing import CliRunner

from matcher.catalogue import Catalogue
from matcher.catalogue.finds import resolution
from matcher.catalogue.finds.resolution import RecordFields
from matcher.cli.commands import app
from matcher.core.errors import CatalogueError
from matcher.jobs.lot import review
from matcher.jobs.lot.cards import cards_of
from matcher.jobs.lot.review_queue import to_confirm
from matcher.jobs.lot.store import LotRow
from tests.jobs.lot.test_lots_review import ADA, box, cases, lot

__all__ = ["box", "lot"]
"""The fixtures."""


@pytest.mark.parametrize(
    ("card", "wanted", "code"),
    [
        ("1.1", RecordFields(subject="Bo Fell"), "missing_value"),
        ("1.1", RecordFields(subject="Bo Fell", caption="", record_id="V001"), "clash"),
        ("1.1", RecordFields(subject="Bo Fell", caption="BO\aFELL"), "odd_text"),
        ("6.1", RecordFields(), "missing_value"),
    ],
)
def test_a_refused_new_record_leaves_no_find(
    catalogue: Catalogue,
    lot: LotRow,
    card: str,
    wanted: RecordFields,
    code: str,
) -> None:
    waiting = [one.card for one in to_confirm(catalogue, cards_of(catalogue, lot), 0.0)]
    assert "6.1" in waiting, "a card of a known record, of which a person may say that it is new"
    before = catalogue.last_decision()
    with pytest.raises(CatalogueError) as caught:
        review.accept(catalogue, lot, card, ADA, wanted)
    assert caught.value.code == code
    assert f"card {card}" in str(caught.value) or code == "clash"
    assert catalogue.last_decision() == before
    assert resolution.finds(catalogue) == ()
    assert [one.card for one in to_confirm(catalogue, cards_of(catalogue, lot), 0.0)] == waiting
    assert len(cases(catalogue, lot)) == 2


def test_known_cards_that_are_not_confirmed_with_the_others_are_told(
    catalogue: Catalogue,
    lot: LotRow,
) -> None:
    asked = ["lot", "confirm", lot.lot_id, "--above", "0.999", "--by", "Ada Quill", "-c", str(catalogue.folder)]
    told = CliRunner().invoke(app, asked)
    assert "nothing to decide" in told.stderr
    assert "1 more card of known records is less sure than 99.9 %" in told.stderr
