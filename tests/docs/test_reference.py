"""REFERENCE.md says of each command, option, address, setting, error and public name what the code says of it."""

from __future__ import annotations

import inspect

import pytest

import matcher
from api.problems import PROBLEMS
from api.settings import ServiceSettings
from tests.docs.documents import text_of
from tests.docs.reference import PARTS, commands, operations, renewed, settings_rows

REFERENCE = text_of("REFERENCE.md")


def test_is_up_to_date() -> None:
    assert renewed(REFERENCE) == REFERENCE, "run: python -m tests.docs.reference"


def test_a_part_without_its_markers_is_told() -> None:
    for name in PARTS:
        with pytest.raises(ValueError, match=name):
            renewed(REFERENCE.replace(f"<!-- {name}: end -->", ""))


def test_every_command_and_option_is_explained() -> None:
    every = list(commands())
    assert len(every) > 60
    assert [words for words, command in every if not command.help] == []
    silent = [f"{words} {given.opts[0]}" for words, command in every for given in command.params if not given.help]
    assert silent == []
    for words, command in every:
        assert f"**`{words}" in REFERENCE
        missing = [flag for given in command.params for flag in given.opts if flag.startswith("-")]
        assert [flag for flag in missing if f"`{flag}`" not in REFERENCE] == []


def test_every_address_is_explained() -> None:
    every = list(operations())
    assert len(every) > 50
    for method, address, operation in every:
        assert operation.get("summary"), f"{method} {address}"
        assert f"`{method} {address}` | {operation['summary']}" in REFERENCE


def test_every_setting_is_explained() -> None:
    told = {name: meaning for name, _, meaning in settings_rows()}
    assert {"photo.max_pixels", "face.width_mm", "thresholds.pose", "top"} <= set(told)
    told |= {name: given.description or "" for name, given in ServiceSettings.model_fields.items()}
    assert [name for name, meaning in told.items() if not meaning] == []


def test_every_error_is_explained() -> None:
    assert [code for code in PROBLEMS if f"| `{code}` |" not in REFERENCE] == []


def test_every_public_name_is_explained() -> None:
    assert [name for name in matcher.__all__ if not inspect.getdoc(getattr(matcher, name))] == []
