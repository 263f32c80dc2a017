"""Cards with words in every place and lettering: what is drawn for the stage lettering, and how it is counted."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from matcher.core.errors import BadTable
from matcher.core.settings import FaceSize
from matcher.lab.evaluation import lettering_set
from matcher.lab.evaluation.lettering_set import drawn_card, lettering_plan, mark_set_off
from matcher.lab.evaluation.lettering_table import as_text, measures
from matcher.lab.evaluation.negatives import Negative
from matcher.lab.synthesis.lettering import CENTURY, ITALIC, ROMAN
from matcher.lab.synthesis.line_drawing import draw_line
from matcher.lab.synthesis.random_wording import WORD_CHANGES, random_wording, reworded
from matcher.lab.synthesis.stray_words import with_notes, with_scene_words
from matcher.lab.synthesis.type_cases import CASES, LETTERINGS, Typeface, lacking, typefaces
from matcher.lab.synthesis.wording import MARK_FORMS, MARK_PLACES, PLACES, Mark, MarkForm, set_lines
from reference_demo.cast import PLATES

TYPES = tuple(Typeface(path, kind) for path in (CENTURY, ITALIC, ROMAN) for kind in LETTERINGS)
SITTERS = [Negative(name, PLATES[name].path, name, 7) for name in ("A1", "B1")]


@pytest.mark.parametrize("place", PLACES)
def test_every_line_stands_on_the_card_with_all_its_letters(place: str) -> None:
    size, rng = FaceSize(), np.random.default_rng(5)
    for _ in range(6):
        for line in set_lines(random_wording(rng, TYPES, place)):  # type: ignore[arg-type]
            whole = draw_line(line, (size.height + 400, size.width + 400), size.px_per_mm, (-20.0, -20.0)).alpha
            on_card = draw_line(line, (size.height, size.width), size.px_per_mm).alpha
            assert on_card.sum() > 0.93 * whole.sum(), (place, line)


def test_only_what_was_to_change_changes() -> None:
    rng = np.random.default_rng(6)
    before = random_wording(rng, TYPES, "foot left", "hand")
    for change in WORD_CHANGES:
        after = reworded(before, change, TYPES, rng)
        assert (after.mark, after.place, after.body) == (before.mark, before.place, before.body)
        words = (after.name, after.club)
        assert (words == (before.name, before.club)) == (change == "hand")


def test_a_plan_asks_the_same_again_and_words_are_not_all_there_is() -> None:
    records, asked = lettering_plan(SITTERS * 6, TYPES, 40, seed=3)
    again = lettering_plan(SITTERS * 6, TYPES, 40, seed=3)
    assert (records, asked) == again
    changes = {query.change for query in asked}
    assert {"", "letter", "club"} <= changes
    assert any(change.startswith("mark") for change in changes)
    assert all((query.outcome == "known") == (not query.change) for query in asked)


@pytest.mark.parametrize("form", MARK_FORMS)
def test_no_mark_is_drawn_black_on_black(form: MarkForm) -> None:
    wording = random_wording(np.random.default_rng(5), TYPES, "head left", "book")
    for level in (20, 235):
        card = lettering_plan(SITTERS, TYPES, 8, seed=4)[0][0].card
        for place in MARK_PLACES:
            mark = Mark("Brell & Co.", form, place, TYPES[0])
            with pytest.MonkeyPatch.context() as patch:
                patch.setattr(lettering_set, "_picture", lambda _, level=level: np.full((640, 368), level, np.uint8))
                set_so = mark_set_off(replace(card, wording=replace(wording, mark=mark)))
            assert set_so.mark is not None
            assert set_so.mark.dark == (level > 128)


def test_a_card_is_drawn_with_its_words_and_its_owners_note() -> None:
    record = lettering_plan(SITTERS, TYPES, 8, seed=4)[0][0].card
    plain, noted = (drawn_card(type(record)(**{**vars(record), "note": note}), TYPES, 8.0).pixels for note in (0, 11))
    assert plain.shape == noted.shape
    differs = np.abs(plain.astype(int) - noted).max(axis=2) > 20
    assert 0.001 < differs.mean() < 0.2


def test_stray_words_lie_where_they_are_said_to() -> None:
    ground = np.full((640, 368), 0.5, np.float32)
    for number in range(4):
        rng = np.random.default_rng(number)
        for drawn, where in (with_scene_words(ground, TYPES, rng), with_notes(ground, TYPES, rng, always=True)):
            assert (np.abs(drawn - ground) > 0.05).any()
            assert not (np.abs(drawn - ground)[where == 0] > 0.02).any()


def test_no_design_is_both_fitted_and_reported_on() -> None:
    fit, report = ({file for files in CASES[role].values() for file in files} for role in ("fit", "report"))
    assert len(fit) >= 40
    assert not fit & report


def test_what_a_folder_lacks_is_named(tmp_path: Path) -> None:
    everything = lacking(tmp_path)
    (tmp_path / "Fanwood.otf").touch()
    assert set(everything) - set(lacking(tmp_path)) == {"fonts-fanwood"}
    with pytest.raises(BadTable, match="fetch them"):
        typefaces(tmp_path, "fit")


def row(
    change: str,
    outcome: str,
    contrast: float = 0.8,
    lines: Sequence[object] = (),
    told: str = "other words",
    **more: Any,
) -> dict[str, Any]:
    right = "known" if not change else "new_mark" if change.startswith("mark") else "new_caption"
    truth = {
        "outcome": right, "record_id": "V1" if not change else "", "change": change, "place": "side",
        "lettering": "hand", "contrast": contrast, "scene_words": False, "note": False, "name": "Ada", **more,
    }  # fmt: skip
    sure = {"caption": 0.9 if outcome == "known" else 0.1, "mark": None}
    nearest = {"evidence": {"words": ["same crop", told]}}
    answer = {"outcome": outcome, "record_id": "V1", "confidence": sure, "lines": lines, "candidates": [nearest]}
    return {"truth": truth, "seconds": 0.5, "answer": answer}


def test_measures_count_what_they_say() -> None:
    read, misread = ([{"words": words}] for words in ("ADA, Ferry Hill", "Ado"))
    rows = [
        row("club", "new_caption", lines=read), row("club", "known"), row("letter", "undecided", lines=misread),
        row("", "known"),
        row("", "new_caption", note=True), row("mark form", "new_mark"), row("mark words", "new_caption"),
        row("club", "undecided", 0.3), row("letter", "known", 0.3),
        row("hand", "new_caption", told="the same words, in another hand or type, read as 'Ada'"), row("hand", "known"),
    ]  # fmt: skip
    told = dict(measures(rows))
    assert told["new club told, contrast 50 % and more"] == "50.0 % (1/2)"
    assert told["new words called known, all contrasts"] == "42.9 % (3/7)"
    assert told["known words called new, all contrasts"] == "50.0 % (2/4)"
    assert told["new mark told, contrast 50 % and more"] == "50.0 % (1/2)"
    assert told["name read exactly where all was read, hand, 50 % and more"] == "50.0 % (1/2)"
    assert told["30 % contrast: right or undecided"] == "50.0 % (1/2)"
    assert told["jersey, backdrop or note: known called new caption"] == "100.0 % (1/1)"
    assert told["new hand told as the same words in another hand or type"] == "50.0 % (1/2)"
    assert told["of other cards said to be another hand, all contrasts"] == "0.0 % (0/9)"
    assert "side" in as_text(rows)
