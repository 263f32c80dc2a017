"""What pictures may serve for: the committed lists do not overlap, and what would cross them is refused."""

from __future__ import annotations

import json
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from matcher.core.calibration import Calibration
from matcher.core.errors import BadTable
from matcher.core.nets import weight_file
from matcher.lab.evaluation.negatives import read_negatives
from matcher.lab.manifests import (
    ROLES,
    SHIPPED,
    Manifest,
    Picture,
    Role,
    committed,
    crossings,
    main,
    make,
    sha256_of,
    stored,
    take,
)
from matcher.lab.training import (
    calibrate,
    fit_damage,
    fit_mark,
    fit_pose,
    fit_reading,
    fit_words,
    train_change_detector,
    train_finder,
    train_forms,
    train_letters,
    train_lines,
    train_movement,
    train_odds,
    train_orientation,
    train_reader,
)
from reference_demo.cast import NEGATIVES, PLATES

ABOUT = {"name": "made_up", "source": "drawn here", "licence": "CC0 1.0", "about": "for a test"}
BY_NAME = {manifest.name: manifest for manifest in committed()}


def pictures(folder: Path, *names: str) -> Path:
    """So many invented pictures, no two alike."""
    folder.mkdir(exist_ok=True)
    for name in names:
        rng = np.random.default_rng(list(f"{folder.name}{name}".encode()))
        Image.fromarray(rng.integers(0, 255, (40, 24), dtype=np.uint8)).save(folder / f"{name}.png")
    return folder


def listed(number: int, role: Role, **known: str) -> Picture:
    return Picture(f"{number}.jpg", f"{number:064x}", role, **known)


# The committed lists


def test_no_picture_room_or_sitter_of_the_committed_lists_has_two_roles() -> None:
    assert {"garments", "room_frames", "demo"} <= set(BY_NAME)
    assert {one.role for manifest in committed() for one in manifest.pictures} == set(ROLES)
    assert crossings(committed()) == []


def test_the_lists_hold_each_picture_once() -> None:
    hashes = [one.sha256 for manifest in committed() for one in manifest.pictures]
    assert len(hashes) == len(set(hashes)) == 1200 + 120 + 140 + 3 * 55 + len(PLATES)


def test_the_demos_list_is_of_its_negatives_and_its_rooms_are_those_of_the_cast() -> None:
    demo = {one.file.removesuffix(".jpg"): one for one in BY_NAME["demo"].pictures}
    assert set(demo) == set(PLATES)
    for name, plate in PLATES.items():
        assert demo[name].sha256 == sha256_of(plate.path)
        assert demo[name].sitter == plate.sitter
        for other in (plate.twin_of, plate.scene_of):
            assert not other or demo[name].room == demo[other].room
    near = {n.name.removeprefix("negatives/"): n.near for n in read_negatives([NEGATIVES], "", 1)}
    twins = {name: {plate.twin_of} for name, plate in PLATES.items() if plate.twin_of}
    twins |= {other: {name} for name, (other,) in twins.items()}
    assert {name: {one.removeprefix("negatives/") for one in some} for name, some in near.items() if some} == twins


def test_what_the_shipped_weights_have_seen_is_said_of_every_file() -> None:
    told = json.loads(SHIPPED.read_text("utf-8"))
    names = [name for one in told["files"] for name in one["weights"]]
    assert sorted(names) == sorted({path.stem for path in weight_file("").iterdir() if path.suffix not in ("", ".py")})
    for one in told["files"]:
        assert one["role"] in ROLES
        assert one["made_again"] or one["why"]
        entries = [one, *one.get("rungs", {}).values()]
        for known in [known for entry in entries for known in entry["known"]]:
            listed_there = BY_NAME[known["manifest"]].pictures
            assert set(known.get("sitters", ())) <= {picture.sitter for picture in listed_there}
            assert {known.get("role", listed_there[0].role)} <= {picture.role for picture in listed_there}


def test_the_garments_to_report_on_are_not_those_that_detection_was_fitted_on() -> None:
    even = {one.file for one in BY_NAME["garments"].pictures[::2]}
    assert not even & {one.file for one in BY_NAME["garments"].pictures if one.role == "report"}


def test_the_exposures_of_a_plate_serve_for_one_thing() -> None:
    plates: dict[str, list[Picture]] = {}
    for one in BY_NAME["old_plates"].pictures:
        plates.setdefault(one.room, []).append(one)
    assert [len(some) for some in plates.values()] == [3] * 55
    assert all(len({(one.role, one.sitter, one.pose) for one in some}) == 1 for some in plates.values())


# What crosses is found


@pytest.mark.parametrize(
    ("first", "second", "found"),
    [
        (listed(1, "train"), listed(1, "report"), [f"picture {1:064x}: report and train"]),
        (listed(1, "train", room="attic"), listed(2, "fit", room="attic"), ["room made_up/attic: fit and train"]),
        (listed(1, "fit", sitter="a"), listed(2, "scale", sitter="a"), ["sitter made_up/a: fit and scale"]),
        (listed(1, "fit", sitter="a", room="x"), listed(2, "scale", sitter="b", room="y"), []),
        (listed(1, "train", sitter="a", room="x"), listed(2, "train", sitter="a", room="x"), []),
    ],
)
def test_crossings(first: Picture, second: Picture, found: list[str]) -> None:
    assert crossings([Manifest(**ABOUT, pictures=(first, second))]) == found


def test_a_picture_of_two_manifests_crosses_and_a_sitters_name_is_its_manifests_own() -> None:
    one = Manifest(**ABOUT, pictures=(listed(1, "train", sitter="a"),))
    same = Manifest(**{**ABOUT, "name": "other"}, pictures=(listed(1, "report"),))
    namesake = Manifest(**{**ABOUT, "name": "other"}, pictures=(listed(2, "report", sitter="a"),))
    assert len(crossings([one, same])) == 1
    assert crossings([one, namesake]) == []


def test_a_moved_picture_of_the_committed_lists_would_be_found() -> None:
    room = BY_NAME["room_frames"]
    moved = replace(room, pictures=(replace(room.pictures[0], role="report"), *room.pictures[1:]))
    assert {line.split()[0] for line in crossings([*committed(), moved])} == {"picture", "room", "sitter"}


# Making and using one


def test_roles_are_dealt_to_sitters_and_not_to_pictures(tmp_path: Path) -> None:
    folder = pictures(tmp_path / "x", "a_1", "a_2", "b_1", "c_1", "c_2", "other")
    made = make(folder, ["train", "report"], pattern="^(?P<sitter>[a-c])_(?P<pose>.)", **ABOUT)
    assert [(p.sitter, p.role) for p in made.pictures] == [
        ("a", "train"), ("a", "train"), ("b", "report"), ("c", "train"), ("c", "train"), ("", "report"),
    ]  # fmt: skip
    assert crossings([made]) == []
    assert {p.role for p in make(folder, ["train", "report"], room="attic", **ABOUT).pictures} == {"train"}
    assert Manifest.load(made.save(tmp_path)) == made


def test_only_pictures_of_the_role_are_taken(tmp_path: Path) -> None:
    folder = pictures(tmp_path / "x", "a", "b", "c", "d")
    made = make(folder, ["train", "fit", "scale", "report"], **ABOUT).save(tmp_path)
    for role, name in zip(ROLES, "abcd", strict=True):
        (one,) = take(role, [folder], [made])
        assert (one.path.stem, one.manifest) == (name, "made_up")
    assert stored(take("fit", [folder], [made])) == {"made_up": 1}
    with pytest.raises(BadTable, match="none of these pictures is there to train"):
        take("train", [pictures(tmp_path / "y", "e")], [made])


def test_without_a_manifest_the_committed_ones_refuse(tmp_path: Path) -> None:
    with pytest.raises(BadTable, match=r"A1\.jpg: it is there to report, says the manifest demo, not to train"):
        take("train", [NEGATIVES])
    assert stored(take("report", [NEGATIVES])) == {"demo": len(PLATES)}
    assert stored(take("train", [pictures(tmp_path / "x", "a", "b")])) == {"in no manifest": 2}


@pytest.mark.parametrize("wrong", [{"role": "play"}, {"sha256": "abc"}])
def test_what_is_no_entry_is_refused(wrong: dict[str, str]) -> None:
    with pytest.raises(ValueError, match=r"role must be|no SHA-256"):
        replace(listed(1, "fit"), **wrong)  # type: ignore[arg-type]


COMMANDS = {
    calibrate: ["--train", str(NEGATIVES), "--held-out", str(NEGATIVES)],
    fit_reading: [str(NEGATIVES), "--fit", "0", "1", "--report", "2", "3"],
    fit_pose: [str(NEGATIVES), "--work", "none"],
    fit_damage: [str(NEGATIVES)],
    fit_mark: [str(NEGATIVES)],
    fit_words: [str(NEGATIVES)],
    train_movement: [str(NEGATIVES), "--held-out", str(NEGATIVES), "--output", "none"],
    train_odds: [str(NEGATIVES), "--output", "none"],
    train_change_detector: [str(NEGATIVES), "--work", "none", "--output", "none"],
    train_orientation: [str(NEGATIVES), "--output", "none"],
    train_finder: [str(NEGATIVES), "--output", "none"],
    train_forms: [str(NEGATIVES), "--types", "none", "--output", "none"],
    train_letters: [str(NEGATIVES), "--types", "none", "--output", "none"],
    train_lines: [str(NEGATIVES), "--types", "none", "--output", "none"],
    train_reader: [str(NEGATIVES), "--types", "none", "--output", "none"],
}


@pytest.mark.parametrize("module", COMMANDS, ids=lambda module: module.__name__.rsplit(".", 1)[-1])
def test_nothing_learns_from_what_is_reported_on(
    module: object, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(sys, "argv", ["command", *COMMANDS[module]])  # type: ignore[index]
    with pytest.raises(SystemExit) as ended:
        module.main()  # type: ignore[attr-defined]
    assert ended.value.code == 2
    assert "it is there to report, says the manifest demo" in capsys.readouterr().err


def test_answers_are_scaled_on_pictures_that_serve_for_that(tmp_path: Path) -> None:
    (tmp_path / "rows.jsonl").write_text("")
    (tmp_path / "set.json").write_text('{"role": "report"}')
    with pytest.raises(BadTable, match="serves to report"):
        calibrate.scale_answers([tmp_path], None, "")
    (tmp_path / "set.json").write_text('{"role": "scale"}')
    calibrate.scale_answers([tmp_path], tmp_path / "calibration.json", "nothing")
    assert Calibration.load(tmp_path / "calibration.json").platt == Calibration.load().platt


def test_a_manifest_that_crosses_a_committed_one_is_not_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    about = [text for name, value in ABOUT.items() for text in (f"--{name}", value)]
    command = ["manifest", str(NEGATIVES), "--roles", "train", "--output", str(tmp_path), *about]
    monkeypatch.setattr(sys, "argv", command)
    with pytest.raises(SystemExit):
        main()
    assert "report and train" in capsys.readouterr().err
    assert not list(tmp_path.iterdir())
