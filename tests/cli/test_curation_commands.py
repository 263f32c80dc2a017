"""The commands of a catalogue that grows, as a person types them."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from importlib import import_module
from pathlib import Path
from typing import Any

import pytest
from click.testing import Result
from typer.testing import CliRunner

from matcher.catalogue import Catalogue
from matcher.catalogue.tokens import token_of
from matcher.cli import app
from matcher.core.answer import failed_answer
from matcher.core.errors import PlatekinError
from matcher.jobs.job import JobResult
from tests.support.cards import a_find, photo_answer
from tests.support.enrolling import row, write_table

Ask = Callable[..., Result]


@pytest.fixture
def ask(tmp_path: Path, stock: Path) -> Ask:
    """Call platekin on a catalogue of four records; `--by` is given to what decides."""
    shutil.copytree(stock / "catalogue", tmp_path / "mine")

    def call(*words: Any, code: int = 0, on: str = "mine") -> Result:
        result = CliRunner().invoke(app, [*map(str, words), "--catalogue", str(tmp_path / on)])
        assert result.exit_code == code, result.output + str(result.exception)
        return result

    return call


def lines(result: Result) -> list[dict[str, Any]]:
    return [json.loads(line) for line in result.stdout.splitlines()]


def refused(ask: Ask, *words: Any) -> str:
    """The code of the error that `main` would print with its remedy."""
    error = ask(*words, code=1).exception
    assert isinstance(error, PlatekinError)
    assert error.remedy
    return error.code


@pytest.fixture
def find_id(tmp_path: Path, ask: Ask) -> str:
    with Catalogue.open(tmp_path / "mine") as catalogue:
        return a_find(catalogue, tmp_path, 50).find_id


def test_what_is_new_is_proposed_and_the_rest_is_told(
    tmp_path: Path, ask: Ask, monkeypatch: pytest.MonkeyPatch
) -> None:
    new, told_new = photo_answer(tmp_path, 50, "new_crop", pose="P000")
    known, told_known = photo_answer(tmp_path, 51, "known", pose="P000", record_id="V000")
    broken = failed_answer("no.jpg", PlatekinError("missing_file", "no.jpg: no such file"))
    finds = import_module("matcher.cli.finds")  # as an attribute the package offers the commands under that name
    monkeypatch.setattr(finds, "identify_all", lambda *_: map(JobResult, [told_new, told_known, broken]))
    result = ask("finds", "propose", new, known, "no.jpg", "--source", "album 3", "--seen-on", "1987-05", code=1)
    assert result.stdout == f"F00001  new_crop of P000  {new}\n"
    assert "nothing new (known)" in result.stderr
    assert "no.jpg: no such file" in result.stderr
    (found,) = lines(ask("finds", "list", "--format", "json"))
    assert (found["find_id"], found["state"], found["source"], found["seen_on"]) == (
        "F00001", "open", "album 3", "1987-05",
    )  # fmt: skip
    assert refused(ask, "finds", "propose", new, "--seen-on", "last May") == "bad_day"
    assert refused(ask, "finds", "propose", new, "--seen-on", "2931-01-01") == "bad_day"


def test_a_find_is_accepted_undone_and_redone(ask: Ask, find_id: str) -> None:
    shown = ask("finds", "show", find_id).stdout
    assert "the program's suggestion" in shown
    assert "because    the picture agrees" in shown
    assert refused(ask, "finds", "accept", find_id) == "missing_value"  # the words have to be said
    accepted = ask("finds", "accept", find_id, "--caption", "Oakmere", "--by", "Ada Quill", "--note", "sure")
    assert accepted.stdout == "V004\n"
    log = lines(ask("decisions", "list", "--format", "json"))
    assert [(e["actor"], e["action"]) for e in log[-2:]] == [("machine", "propose"), ("person", "accept")]
    assert (log[-1]["by"], log[-1]["note"], log[-1]["standing"]) == ("Ada Quill", "sure", True)
    assert "change    record V004 is new" in ask("decisions", "show", log[-1]["number"]).stdout
    ask("decisions", "undo", "--by", "Ada Quill")
    assert refused(ask, "records", "show", "V004") == "no_such_record"
    assert lines(ask("finds", "list", "--format", "json"))[0]["state"] == "open"
    ask("decisions", "redo", "--by", "Ada Quill")
    assert "Oakmere" in ask("records", "show", "V004").stdout
    assert refused(ask, "finds", "reject", find_id) == "already_decided"
    assert refused(ask, "decisions", "redo") == "no_such_decision"


def test_a_find_is_merged_or_rejected(tmp_path: Path, ask: Ask, find_id: str) -> None:
    ask("finds", "merge", find_id, "V000", "--copy", "mine")
    assert "copy mine" in ask("records", "show", "V000").stdout
    with Catalogue.open(tmp_path / "mine") as catalogue:
        other = a_find(catalogue, tmp_path, 51).find_id
    ask("finds", "reject", other)
    states = {row["find_id"]: row["state"] for row in lines(ask("finds", "list", "--all", "--format", "json"))}
    assert states == {find_id: "merged", other: "rejected"}


@pytest.mark.parametrize("words", [["cards.docx"], ["cards.xlsx", "--as", "csv"], ["cards.pdf", "--as", "bag"]])
def test_an_export_is_not_called_what_it_is_not(tmp_path: Path, ask: Ask, words: list[str]) -> None:
    assert refused(ask, "export", tmp_path / words[0], *words[1:]) == "bad_target"
    assert not (tmp_path / words[0]).exists()
    ask("export", tmp_path / "cards-2026.07")


def test_an_export_is_imported_as_the_same_catalogue(tmp_path: Path, ask: Ask, find_id: str) -> None:
    ask("finds", "accept", find_id, "--caption", "Oakmere")
    ask("export", tmp_path / "bag")
    assert refused(ask, "export", tmp_path / "bag") == "target_exists"
    ask("enrol", tmp_path / "bag", on="theirs")
    records = [ask("records", "list", "--format", "json", on=which).stdout for which in ("mine", "theirs")]
    assert records[0] == records[1]
    ask("export", tmp_path / "again", on="theirs")
    one, two = (
        {path.relative_to(top): path.read_bytes() for path in top.rglob("*") if path.is_file()}
        for top in (tmp_path / "bag", tmp_path / "again")
    )
    assert one == two
    ask("decisions", "export", tmp_path / "log.jsonl")
    ask("decisions", "replay", tmp_path / "log.jsonl", "--images", tmp_path / "bag", on="played")
    assert ask("records", "list", "--format", "json", on="played").stdout == records[0]
    assert "images, tables and log are whole" in ask("check", on="theirs").stdout


def test_a_preview_ends_with_a_verdict(tmp_path: Path, ask: Ask) -> None:
    table = write_table(tmp_path / "theirs.csv", [row(90, "a.png"), row(91, "b.png")])
    assert "2 conflicts; nothing was changed" in ask("enrol", table, "--preview", code=1).stderr
    for name in ("a.png", "b.png"):
        (tmp_path / name).write_bytes(name.encode())
    assert "2 rows would be added, no conflicts" in ask("enrol", table, "--preview").stderr


def test_a_folder_that_is_no_export_is_told_what_to_do(tmp_path: Path, ask: Ask) -> None:
    (tmp_path / "loose").mkdir()
    (tmp_path / "loose" / "a.png").write_bytes(b"")
    error = ask("enrol", tmp_path / "loose", code=1).exception
    assert isinstance(error, PlatekinError)
    assert (error.code, error.remedy.split(",")[0]) == ("bad_bag", "write a table beside the pictures")
    (tmp_path / "loose" / "cards.csv").write_text("")
    error = ask("enrol", tmp_path / "loose", code=1).exception
    assert isinstance(error, PlatekinError)
    assert error.remedy.endswith(f"platekin enrol {tmp_path / 'loose' / 'cards.csv'}")


def test_a_table_with_other_columns_is_previewed(tmp_path: Path, ask: Ask) -> None:
    ask("export", tmp_path / "cards.csv", "--as", "csv")
    table = (tmp_path / "cards.csv").read_text(encoding="utf-8-sig").replace("subject", "Sitter", 1)
    (tmp_path / "theirs.csv").write_text(table)
    before = ask("decisions", "list", "--format", "json").stdout
    lacking = ask("enrol", tmp_path / "theirs.csv", "--preview", code=1)
    assert "Sitter: did you mean subject? --map Sitter=subject" in lacking.stderr
    seen = ask("enrol", tmp_path / "theirs.csv", "--map", "Sitter=subject", "--preview", code=1)
    assert "Sitter" in seen.stdout
    assert "rows:" in seen.stdout
    assert "add --renumber" in seen.stderr
    assert ask("decisions", "list", "--format", "json").stdout == before  # a preview writes nothing
    ask("enrol", tmp_path / "theirs.csv", "--map", "Sitter=subject")  # it lies where its image paths lead from
    assert ask("decisions", "list", "--format", "json").stdout == before  # all of it is there already


def test_a_backup_is_a_catalogue_and_damage_is_told(tmp_path: Path, ask: Ask, monkeypatch: pytest.MonkeyPatch) -> None:
    ask("backup", tmp_path / "copy")
    listed = ask("records", "list", "--format", "json").stdout
    assert ask("records", "list", "--format", "json", on="copy").stdout == listed
    assert refused(ask, "backup", tmp_path / "copy") == "target_exists"
    told = ask("check", on="copy").stdout
    assert "images, tables and log are whole" in told
    assert "can be searched" in told  # it makes its index for itself, which is nobody's business
    assert "behind" not in told
    next((tmp_path / "copy" / "images").rglob("*.png")).write_bytes(b"another")
    troubles = [row for row in lines(ask("check", "--format", "json", on="copy", code=1)) if row["todo"]]
    assert [row["subject"] for row in troubles if not row["doubted"]] == ["changed_image"]
    ask("check")  # the first is as it was
    monkeypatch.setattr("matcher.cli.check.BEHIND", 0)
    told = ask("check", "--quick", on="copy", code=1).stdout
    assert "came or went since it was stored" in told
    assert "what to do:  enrol any table again" in told


def test_series_and_subjects_are_listed(ask: Ask) -> None:
    ask("series", "set", "S1", "--title", "Oakmere cards", "--width-mm", "36.5")
    ask("records", "edit", "V001", "--set", "series=S1")
    (row,) = lines(ask("series", "list", "--format", "json"))
    assert (row["series"], row["title"], row["width_mm"], row["records"]) == ("S1", "Oakmere cards", "36.5", 1)
    assert "36.5 x ?" in ask("series", "list").stdout
    ask("subjects", "spelling", "Sitter 1", "Siter 1")
    listed = lines(ask("subjects", "list", "--format", "json"))
    assert [(row["subject"], row["spellings"], row["poses"], row["records"]) for row in listed] == [
        ("Sitter 0", [], 1, 2),
        ("Sitter 1", ["Siter 1"], 1, 2),
    ]
    assert "Siter 1" in ask("subjects", "list").stdout
    for words, found in (
        ("--series S1", ["V001"]),
        ("--subject sitter\t1", ["V002", "V003"]),
        ("--pose P000", ["V000", "V001"]),
    ):
        listed = lines(ask("records", "list", *(w.replace("\t", " ") for w in words.split(" ")), "--format", "json"))
        assert [row["record_id"] for row in listed] == found
    assert refused(ask, "records", "list", "--pose", "P9") == "no_such_record"


def test_formats_are_listed_said_and_refused(ask: Ask) -> None:
    ask("formats", "set", "carte de visite", "--record", "V001", "--by", "Ada Quill")
    rows = {row["format"]: row for row in lines(ask("formats", "list", "--format", "json"))}
    assert rows["carte de visite"]["records"] == 1
    assert rows["insert"]["records"] == 3
    assert (rows["cabinet"]["width_mm"], rows["cabinet"]["height_mm"], rows["cabinet"]["records"]) == (108, 165, 0)
    assert "63" in ask("formats", "list").stdout
    assert refused(ask, "formats", "set", "10000x165", "--record", "V001") == "bad_format"
    assert refused(ask, "formats", "set", "cabinet") == "missing_value"
    ask("decisions", "undo", "--yes")
    rows = {row["format"]: row for row in lines(ask("formats", "list", "--format", "json"))}
    assert rows["insert"]["records"] == 4


def test_tokens_are_shown_once_and_revoked(tmp_path: Path, ask: Ask) -> None:
    token = ask("tokens", "make", "Ada Quill", "--scope", "decide").stdout.strip()
    with Catalogue.open(tmp_path / "mine") as catalogue:
        assert token_of(catalogue, token)
    listed = ask("tokens", "list").stdout
    assert "Ada Quill" in listed
    assert "decide" in listed
    assert token not in listed
    ask("tokens", "revoke", "Ada Quill")
    with Catalogue.open(tmp_path / "mine") as catalogue:
        assert not token_of(catalogue, token)


def test_scarcity_gaps_and_search(tmp_path: Path, ask: Ask) -> None:
    rows = lines(ask("scarcity", "--plot", tmp_path / "plot.svg", "--format", "json"))
    assert {row["record"]["record_id"] for row in rows} == {"V000", "V001", "V002", "V003"}
    assert all(1 <= row["at_least"] <= row["at_most"] <= row["seen"] for row in rows)
    assert (tmp_path / "plot.svg").read_text().startswith("<?xml")
    kinds = {row["kind"] for row in lines(ask("gaps", "--format", "json"))}
    assert kinds
    assert "gap" in ask("gaps").stdout
    ask("records", "edit", "V000", "--set", f"caption={'a long caption ' * 20}end")
    assert f"{'a long caption ' * 20}end" in ask("scarcity").stdout  # no terminal, nothing shortened
    assert f"{'a long caption ' * 20}end" in ask("records", "list").stdout
    (first, *_) = lines(ask("records", "search", "siter 1", "--format", "json"))
    assert first["subject"] == "Sitter 1"
    assert "Sitter 1" in ask("records", "search", "siter 1").stdout


def test_cards_are_found_and_counted_by_their_mark(ask: Ask) -> None:
    """With its form and place or without, by a word of it; 'none' is what a record says, and nobody's name."""
    ask("records", "edit", "V000", "--set", "mark=Brell & Co. (oval, foot right)")
    ask("records", "edit", "V001", "--set", "mark=none")
    for command in (("records", "list"), ("scarcity",)):
        told = ask(*command, "--mark", "brell & co.").stdout
        assert "V000" in told
        assert "V001" not in told
        assert "V001" in ask(*command, "--mark", "none").stdout
        assert "no record is of mark" in str(ask(*command, "--mark", "Brall", code=1).exception)
    assert "Brell & Co." in ask("records", "search", "brell").stdout
    assert "no name, club or mark is like" in str(ask("records", "search", "none", code=1).exception)
