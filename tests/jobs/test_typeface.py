"""The type of pictures: letters of other scripts are letters in it, and text keeps inside its room."""

import pytest

from matcher.jobs.typeface import fitted, typeface, wrapped


@pytest.mark.parametrize("letter", ["é", "Ł", "ß", "Ж", "Ω", "№", "½", "’"])
def test_a_letter_of_another_script_is_no_empty_box(letter: str) -> None:
    missing = typeface(24).getmask("\U0010ffff")  # no character: what a type draws for what it lacks
    drawn = typeface(24).getmask(letter)
    assert (drawn.size, bytes(drawn)) != (missing.size, bytes(missing))


def test_lines_keep_their_width_and_lose_no_word() -> None:
    text = "same negative, another crop: the picture sits 1.4 mm further down on this card"
    lines = wrapped(text, 220, 14)
    assert " ".join(lines) == text
    assert len(lines) > 1
    assert all(typeface(14).getlength(line) <= 220 for line in lines)


def test_what_does_not_fit_is_cut_and_says_so() -> None:
    cut = fitted("Ferry Hill Rowing Club", 100, 14)
    assert cut.endswith("…")
    assert typeface(14).getlength(cut) <= 100
    assert fitted("Ferry Hill", 400, 14) == "Ferry Hill"
