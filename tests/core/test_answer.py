"""The published answer: its own checks, its JSON there and back, rows of a table; the exact wire of one answer."""

from __future__ import annotations

import json
import pickle
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from matcher.core.answer import (
    KNOWN,
    AnswerError,
    CandidateEvidence,
    CandidateResult,
    CardResult,
    CropShift,
    DamageFact,
    FaceFacts,
    Margins,
    PhotoAnswer,
    TrimFact,
    failed_answer,
)
from matcher.core.answer_json import CSV_COLUMNS, card_from_json, csv_rows, from_json, to_json
from matcher.core.errors import UnreadablePhoto
from matcher.core.ladder.candidate import Confidence
from matcher.core.ladder.decision import Outcome
from tests.support import fake_work

number = st.floats(allow_nan=False, allow_infinity=False)
share = st.none() | st.floats(0, 1)
point = st.tuples(number, number)
confidence = st.builds(Confidence, share, share, share, share, share)
evidence = st.builds(
    CandidateEvidence,
    subject=st.none() | st.text(), club=st.none() | st.text(), inliers=st.none() | st.integers(0, 999),
    method=st.none() | st.text(), correlation=share, agreement=share, expected_agreement=share, judged=share,
    pose_log10_ratio=st.none() | number,
    margins_mm=st.none() | st.builds(Margins, number, number, number, number), caption_agreement=share,
    caption_worst_letter=share, words=st.lists(st.text()).map(tuple),
    damage=st.none() | st.lists(
        st.builds(DamageFact, st.text(), st.text(), st.text(), st.tuples(*[number] * 4), number, number), max_size=2,
    ).map(tuple),
    trimmed=st.none() | st.lists(st.builds(TrimFact, st.text(), *[number] * 4), max_size=2).map(tuple),
)  # fmt: skip
candidate = st.builds(
    CandidateResult, st.text(), st.text(), st.text(), st.text(), st.text(), confidence,
    st.none() | st.builds(CropShift, number, number, number, number), evidence,
)  # fmt: skip
face = st.builds(
    FaceFacts, st.none() | point, number, number, number, st.sampled_from((0, 90, 180, 270)), share, share, share,
    st.none() | point, share, st.sampled_from(("scan", "nominal")), share, share,
    st.dictionaries(st.text(), number, max_size=3),
)  # fmt: skip
card = st.builds(
    CardResult, st.tuples(point, point, point, point), st.sampled_from(("undecided", "new_pose", KNOWN)),
    st.none() | st.text(), st.none() | st.text(), st.none() | st.text(), st.none() | st.text(), confidence,
    st.lists(candidate, max_size=2).map(tuple), face, st.lists(st.text(), max_size=2).map(tuple),
)  # fmt: skip
answer = st.builds(
    PhotoAnswer, st.text(), st.none() | st.text(), st.none() | st.integers(0), st.none() | st.integers(0), st.none(),
    st.lists(card, max_size=2).map(tuple), st.dictionaries(st.text(), st.text(), max_size=2),
)  # fmt: skip


@given(answer)
def test_an_answer_survives_json_and_pickling(given_answer: PhotoAnswer) -> None:
    assert from_json(json.loads(json.dumps(to_json(given_answer)))) == given_answer
    assert pickle.loads(pickle.dumps(given_answer)) == given_answer


def test_the_wire_is_that_of_the_contract_key_for_key() -> None:
    wire = fake_work.answer("a.jpg")
    assert json.dumps(to_json(from_json(wire))) == json.dumps(wire)


@pytest.mark.parametrize("name", ["held", "known"])
def test_both_names_of_a_known_card_are_read(name: str) -> None:
    """Answers that were stored before the outcome was renamed stay readable."""
    wire = {**fake_work.answer("a.jpg")["cards"][0], "outcome": name, "record_id": "V001"}
    assert card_from_json(wire).is_known
    assert not card_from_json({**wire, "outcome": "undecided"}).is_known


def test_an_older_answer_and_a_newer_one_are_read() -> None:
    wire: dict[str, Any] = fake_work.answer("a.jpg")["cards"][0]
    first_five = {k: wire["face"][k] for k in ("size_mm", "residual_contrast", "glare", "sharpness", "turned")}
    older = card_from_json({**wire, "face": first_five})
    assert (older.face.residual_contrast, older.face.aspect, older.face.sigma) == (0.41, None, {})
    newer = card_from_json({**wire, "mood": "calm", "confidence": {**wire["confidence"], "mood": 0.4}})
    assert newer == card_from_json(wire)


def test_rows_of_a_table() -> None:
    told = from_json(fake_work.answer("a.jpg"))
    (row,) = csv_rows(told)
    assert set(row) <= set(CSV_COLUMNS)
    assert (row["card"], row["outcome"], row["closest"], row["confidence_pose"]) == (1, "new_crop", "V000", 0.99)
    assert row["reasons"] == "the picture agrees; its window does not"
    failed = failed_answer("b.jpg", UnreadablePhoto("truncated", "b.jpg: it breaks off", "fetch it again"))
    assert csv_rows(failed) == [{"photo": "b.jpg", "error": "truncated: b.jpg: it breaks off (fetch it again)"}]


def test_as_many_candidates_as_asked_for() -> None:
    told = from_json(fake_work.answer("a.jpg"))
    assert [one.record_id for one in told.with_candidates(2).cards[0].candidates] == ["V000", "V001"]
    assert told.with_candidates(50) == told


def test_a_wrong_shape_is_refused() -> None:
    told = from_json(fake_work.answer("a.jpg"))
    (shown,) = told.cards
    with pytest.raises(ValueError, match="four corners"):
        replace(shown, quad=shown.quad[:3])  # type: ignore[arg-type]
    outcome: Outcome = "nearly"  # type: ignore[assignment]
    with pytest.raises(ValueError, match="nearly"):
        replace(shown, outcome=outcome)
    with pytest.raises(ValueError, match="no cards, got 1"):
        replace(told, error=AnswerError("no_card", "none"))
