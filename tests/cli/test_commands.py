"""The command line as a person and a program use it, on a small catalogue drawn from the demo's negatives."""

from __future__ import annotations

import csv
import hashlib
import io
import json
import sys
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image
from typer.testing import CliRunner

from matcher.cli import app
from matcher.core.errors import PlatekinError
from matcher.lab.synthesis import (
    Age,
    Caption,
    Crop,
    Scene,
    make_copy,
    needed_px_per_mm,
    photograph,
    scan,
    write_photo,
    write_scan,
)
from matcher.lab.synthesis.lettering import ROMAN

NEGATIVES = Path(__file__).parents[2] / "reference_demo" / "negatives"
CARDS = {  # record: negative, pose, window, name
    "V1": ("A1", "P1", Crop(zoom=1.03), "Oscar Dunnelby"),
    "V2": ("A1", "P1", Crop(0.5, 0.45, 1.35), "Oscar Dunnelby"),
    "V3": ("A1", "P1", Crop(zoom=1.03), "Wm. Tarrowick"),
    "V4": ("B2", "P2", Crop(zoom=1.03), "T. Varrowick"),
}
runner = CliRunner()


def copy_of(negative: str, crop: Crop, name: str, seed: int, px_per_mm: float = 11.81):  # type: ignore[no-untyped-def]
    grey = cv2.imread(str(NEGATIVES / f"{negative}.jpg"), cv2.IMREAD_GRAYSCALE)
    words = Caption(name, "GANNOCK BAR R. C.", "Quillory Biscuit Works", "below", ROMAN, ROMAN)
    plate = sum(map(ord, negative))
    return make_copy(grey, crop, words, Age(residual_contrast=0.8), seed=seed, plate=plate, px_per_mm=px_per_mm)


def photo_of(negative: str, crop: Crop, name: str, seed: int) -> bytes:
    scene = Scene("cloth", 1200, 1600, tilt=6, rotation=4, share=0.8, orientation=6)
    card = copy_of(negative, crop, name, seed, needed_px_per_mm(scene, (36.5, 63.5)))
    return write_photo(photograph(card, scene, np.random.default_rng(seed)), scene)


@pytest.fixture(scope="module")
def box(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with cards.csv, scans, photos and the catalogue `mine`."""
    folder = tmp_path_factory.mktemp("box")
    rows = []
    for number, (record, (negative, pose, crop, name)) in enumerate(CARDS.items()):
        card = copy_of(negative, crop, name, seed=number)
        (folder / f"{record}.jpg").write_bytes(write_scan(scan(card, np.random.default_rng(number))))
        letter = "B" if record == "V2" else "A"
        rows.append([record, f"sitter of {pose}", pose, letter, name, f"{record}.jpg"])
    with (folder / "cards.csv").open("w", newline="", encoding="utf-8-sig") as file:
        csv.writer(file).writerows([["record_id", "subject", "pose", "crop", "caption", "image"], *rows])
    (folder / "known.jpg").write_bytes(photo_of("A1", Crop(zoom=1.03), "Oscar Dunnelby", 71))
    (folder / "stranger.jpg").write_bytes(photo_of("F1", Crop(zoom=1.03), "Edw. Corvane", 72))
    (folder / "crop.jpg").write_bytes(photo_of("A1", Crop(0.5, 0.5, 1.18), "Oscar Dunnelby", 73))
    (folder / "caption.jpg").write_bytes(photo_of("A1", Crop(zoom=1.03), "Geo. Holmstow", 74))
    (folder / "broken.jpg").write_bytes((folder / "known.jpg").read_bytes()[:5000])
    Image.fromarray(np.full((400, 400, 3), 128, np.uint8)).save(folder / "nothing.png")
    result = runner.invoke(
        app, ["enrol", str(folder / "cards.csv"), "--catalogue", str(folder / "mine"), "--workers", "0"]
    )
    assert result.exit_code == 0, result.output
    return folder


def identify(box: Path, *names: str, options: tuple[str, ...] = ("--format", "json")) -> tuple[int, str]:
    paths = [str(box / name) for name in names]
    result = runner.invoke(app, ["identify", *paths, "--catalogue", str(box / "mine"), "--workers", "1", *options])
    return result.exit_code, result.stdout


def test_every_kind_gets_its_outcome_in_input_order(box: Path) -> None:
    names = ("known.jpg", "crop.jpg", "stranger.jpg", "caption.jpg")
    code, out = identify(box, *names)
    answers = [json.loads(line) for line in out.splitlines()]
    assert code == 0
    assert [Path(answer["photo"]).name for answer in answers] == list(names)
    outcomes = [answer["cards"][0]["outcome"] for answer in answers]
    assert outcomes == ["known", "new_crop", "new_pose", "new_caption"]
    assert answers[0]["cards"][0]["record_id"] == "V1"


def test_the_json_is_the_contracts(box: Path) -> None:
    _, out = identify(box, "known.jpg")
    answer = json.loads(out)
    assert set(answer) == {"photo", "sha256", "width", "height", "error", "cards", "versions"}
    assert (answer["width"], answer["height"]) == (1200, 1600)  # upright, though stored turned
    assert answer["sha256"] == hashlib.sha256((box / "known.jpg").read_bytes()).hexdigest()
    card = answer["cards"][0]
    assert set(card) == {
        "quad", "outcome", "record_id", "pose", "crop", "caption", "confidence", "candidates", "face", "reasons",
        "lines",
    }  # fmt: skip
    assert set(card["confidence"]) == {"pose", "crop", "caption", "mark", "record", "copy"}
    assert set(card["face"]) >= {"size_mm", "residual_contrast", "glare", "sharpness", "turned", "upright", "back"}
    assert set(card["face"]["sigma"]) >= {"residual_contrast", "unevenness", "sharpness", "glare", "aspect"}
    first = card["candidates"][0]
    assert {"record_id", "pose", "crop", "caption", "reference", "confidence", "crop_shift_mm", "evidence"} == set(
        first
    )
    assert set(first["crop_shift_mm"]) == {"dx", "dy", "scale", "sigma_mm"}
    assert len(card["candidates"]) <= 5


def test_what_fails_is_told_and_the_rest_goes_on(box: Path) -> None:
    code, out = identify(box, "broken.jpg", "known.jpg", "nothing.png", "missing.jpg")
    answers = [json.loads(line) for line in out.splitlines()]
    assert code == 1
    assert [answer["error"] and answer["error"]["code"] for answer in answers] == [
        "truncated",
        None,
        "no_card",
        "missing_file",
    ]
    assert [len(answer["cards"]) for answer in answers] == [0, 1, 0, 0]


def test_csv_has_one_row_a_card_and_one_an_error(box: Path) -> None:
    _, out = identify(box, "known.jpg", "broken.jpg", options=("--format", "csv"))
    rows = list(csv.DictReader(io.StringIO(out)))
    assert [row["outcome"] for row in rows] == ["known", ""]
    assert rows[1]["error"].startswith("truncated")


def test_the_table_says_why_and_shows_the_caution(box: Path) -> None:
    result = runner.invoke(app, ["identify", str(box / "known.jpg"), "--catalogue", str(box / "mine")])
    assert "known" in result.stdout
    assert "same negative" in result.stdout
    assert "does not authenticate" in result.stderr


def test_no_caution_where_no_picture_could_be_read(box: Path) -> None:
    """What a result is not is said of a result: beside an error alone it reads as if there were one."""
    call = ["identify", "--catalogue", str(box / "mine")]
    assert "does not authenticate" not in runner.invoke(app, [*call, str(box / "broken.jpg")]).stderr
    result = runner.invoke(app, [*call, str(box / "broken.jpg"), str(box / "known.jpg")])
    assert "does not authenticate" in result.stderr


def test_an_evidence_picture_is_written_for_each_card(box: Path, tmp_path: Path) -> None:
    identify(box, "known.jpg", options=("--picture", str(tmp_path / "pictures")))
    (path,) = (tmp_path / "pictures").iterdir()
    assert path.name.startswith("known-1.evidence-")
    with Image.open(path) as picture:
        assert picture.width > 1300
        assert picture.height > 700


def test_originals_are_never_written_to(box: Path) -> None:
    before = {path: hashlib.sha256(path.read_bytes()).hexdigest() for path in box.glob("*.*")}
    identify(box, "known.jpg", "broken.jpg")
    runner.invoke(app, ["enrol", str(box / "cards.csv"), "--catalogue", str(box / "mine"), "--workers", "0"])
    assert before == {path: hashlib.sha256(path.read_bytes()).hexdigest() for path in before}


def test_records_are_listed_shown_and_removed(box: Path, tmp_path: Path) -> None:
    mine = str(tmp_path / "mine")
    runner.invoke(app, ["enrol", str(box / "cards.csv"), "--catalogue", mine, "--workers", "0"])
    listed = [
        json.loads(line)
        for line in runner.invoke(app, ["records", "list", "-c", mine, "--format", "json"]).stdout.splitlines()
    ]
    assert [row["record_id"] for row in listed] == list(CARDS)
    assert "T. Varrowick" in runner.invoke(app, ["records", "show", "V4", "-c", mine]).stdout
    assert runner.invoke(app, ["records", "remove", "V4", "-c", mine], input="n\n").exit_code != 0
    assert runner.invoke(app, ["records", "remove", "V4", "-c", mine, "--yes"]).exit_code == 0
    assert "V4" not in runner.invoke(app, ["records", "list", "-c", mine]).stdout
    assert runner.invoke(app, ["check", "-c", mine]).exit_code == 0


def test_check_tells_a_lost_image_and_what_to_do(box: Path, tmp_path: Path) -> None:
    mine = tmp_path / "mine"
    runner.invoke(app, ["enrol", str(box / "cards.csv"), "--catalogue", str(mine), "--workers", "0"])
    next((mine / "images").rglob("*.jpg")).unlink()
    result = runner.invoke(app, ["check", "-c", str(mine)])
    assert result.exit_code == 1
    assert "3 of 4" in result.stdout
    assert "what to do" in result.stdout
    again = runner.invoke(app, ["enrol", str(box / "cards.csv"), "--catalogue", str(mine), "--workers", "0"])
    assert "has been restored" in again.stderr
    assert runner.invoke(app, ["check", "-c", str(mine)]).exit_code == 0  # what it advised has helped


@pytest.mark.parametrize(
    "arguments",
    [
        ["identify"],
        ["identify", "a.jpg"],
        ["identify", "a.jpg", "-c", "x", "--format", "xml"],
        ["identify", "a.jpg", "-c", "x", "--top", "0"],
        ["no-such-command"],
    ],
)
def test_a_wrong_call_exits_with_2(arguments: list[str]) -> None:
    assert runner.invoke(app, arguments).exit_code == 2


def test_a_catalogue_that_is_not_there_is_said_in_one_line(box: Path, capsys, monkeypatch) -> None:  # type: ignore[no-untyped-def]
    from matcher.cli import main

    monkeypatch.setattr("sys.argv", ["platekin", "identify", str(box / "known.jpg"), "-c", str(box / "none")])
    with pytest.raises(SystemExit) as caught:
        main()
    assert caught.value.code == 2
    told = capsys.readouterr().err
    assert "what to do" in told
    assert "Traceback" not in told


def test_ctrl_c_is_answered(capsys, monkeypatch) -> None:  # type: ignore[no-untyped-def]
    from matcher.cli import main

    def interrupted(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(sys.modules["matcher.cli.check"], "_checks", interrupted)
    monkeypatch.setattr("sys.argv", ["platekin", "check"])
    with pytest.raises(SystemExit) as caught:
        main()
    assert caught.value.code == 130
    assert capsys.readouterr().err == "stopped; what was stored until now is kept\n"


@pytest.mark.parametrize(("code", "exit_code"), [("no_such_record", 2), ("bad_day", 2), ("disk_full", 1), ("clash", 1)])
def test_the_exit_code_is_the_errors(code: str, exit_code: int, capsys, monkeypatch) -> None:  # type: ignore[no-untyped-def]
    from matcher.cli import main

    def fails(*_: object) -> None:
        raise PlatekinError(code, "what is wrong", "what helps")

    monkeypatch.setattr(sys.modules["matcher.cli.check"], "_checks", fails)
    monkeypatch.setattr("sys.argv", ["platekin", "check"])
    with pytest.raises(SystemExit) as caught:
        main()
    assert caught.value.code == exit_code
    assert capsys.readouterr().err == "platekin: what is wrong\n  what to do: what helps\n"


def test_who_decides_and_why_can_be_said_wherever_something_is_decided() -> None:
    for words in (["finds", "accept"], ["records", "edit"], ["decisions", "undo"], ["lot", "choose"]):
        shown = runner.invoke(app, [*words, "--help"], terminal_width=200).stdout
        assert all(option in shown for option in ("--catalogue", "--by", "--note", "--quiet")), words
