"""The demo set: its plan keeps its promises, and what is drawn agrees with its own tables."""

from __future__ import annotations

import csv
import hashlib
import itertools
import json
from collections import Counter
from pathlib import Path

import numpy as np
import pytest

from matcher.core.photo import read_photo
from matcher.lab.synthesis import SURFACES
from matcher.lab.synthesis.type_cases import CASES
from reference_demo import make
from reference_demo.cast import (
    ENROLLED,
    LEFT_OUT_PLATES,
    LEFT_OUT_SITTERS,
    NEGATIVES,
    PLATES,
    POSES,
    SITTERS,
    twin,
)
from reference_demo.make import RECORD_COLUMNS, TRUTH_COLUMNS, make_demo
from reference_demo.page import draw_page, page_cards
from reference_demo.plan import OUTCOMES, Plan, Variation, make_plan

KINDS = {"known": 38, "new_crop": 8, "new_caption": 10, "new_pose": 9, "unknown": 9}


@pytest.fixture(scope="module")
def plan() -> Plan:
    return make_plan(make.DEFAULT_SEED)


class TestCast:
    def test_every_plate_has_its_negative_and_no_other_is_there(self):
        assert {path.stem for path in NEGATIVES.glob("*.jpg")} == set(PLATES)
        assert sum(path.stat().st_size for path in NEGATIVES.iterdir()) < 6_000_000

    def test_negatives_are_one_size(self):
        assert {read_photo(plate.path).pixels.shape for plate in PLATES.values()} == {(1500, 900, 3)}

    def test_left_out_poses_have_twins_in_the_catalogue(self):
        twins = [twin(name) for name in LEFT_OUT_PLATES]
        assert sum(bool(name) for name in twins) >= 2
        assert all(name in POSES for name in twins if name)

    @pytest.mark.parametrize("sitter", SITTERS.values(), ids=lambda sitter: sitter.letter)
    def test_spellings_differ_by_one_and_by_two_letters(self, sitter):
        usual, one, two = sitter.names
        assert _letters_apart(usual, one) == 1
        assert _letters_apart(usual, two) == 2


class TestPlan:
    def test_promised_numbers(self, plan):
        shown = [record.shows for record in plan.records]
        assert len(plan.records) >= 150
        assert len({shows.plate for shows in shown}) >= 40
        assert sum(len(record.copies) > 1 for record in plan.records) >= 15
        crops = Counter(plate for plate, _ in {(shows.plate, shows.crop) for shows in shown})
        assert sum(count > 1 for count in crops.values()) >= len(ENROLLED) // 2
        contrasts = [copy.age.residual_contrast for record in plan.records for copy in record.copies]
        assert min(contrasts) <= 0.12
        assert max(contrasts) == 1.0

    def test_queries_cover_what_photos_do(self, plan):
        scenes = [query.scene for query in plan.queries]
        assert len(scenes) >= 72
        assert Counter(query.kind for query in plan.queries) == KINDS
        assert {scene.surface for scene in scenes} == set(SURFACES)
        assert {scene.orientation for scene in scenes} == set(range(1, 9))
        assert sum(scene.upside_down for scene in scenes) >= 6
        assert sum((scene.width, scene.height) == (3024, 4032) for scene in scenes) >= 10
        for prop in ("glare", "sleeve", "shadow"):
            assert sum(bool(getattr(scene, prop)) for scene in scenes) >= 8
        assert sum(scene.thumb is not None for scene in scenes) >= 6
        assert sum(query.beside is not None for query in plan.queries) >= 6
        assert sum(query.is_reference_copy for query in plan.queries) == 10
        for low, high in ((0.7, 0.9), (0.45, 0.55), (0.27, 0.33), (0.13, 0.17)):
            assert sum(low < query.copy.age.residual_contrast < high for query in plan.queries) >= 12

    def test_kinds_are_what_they_say(self, plan):
        known = {record.shows: record.record_id for record in plan.records}
        pictures = {(shows.plate, shows.crop) for shows in known}
        for query in plan.queries:
            shows = query.copy.shows
            enrolled = shows.plate in POSES
            assert (shows in known) == (query.kind == "known")
            assert query.record_id == known.get(shows, "")
            assert enrolled == (query.kind in ("known", "new_crop", "new_caption"))
            assert ((shows.plate, shows.crop) in pictures) == (query.kind in ("known", "new_caption"))
            assert (shows.plate[0] in LEFT_OUT_SITTERS) == (query.kind == "unknown")

    def test_other_copies_are_other_cards(self, plan):
        references = {copy.seed for record in plan.records for copy in record.copies}
        for query in plan.queries:
            assert (query.copy.seed in references) == query.is_reference_copy

    @pytest.mark.parametrize("plate", PLATES)
    def test_crops_differ_by_millimetres(self, plate):
        """Some edge of the window lies 1.5 mm or more elsewhere, measured at zoom 1."""
        for first, second in itertools.combinations("ABCDE", 2):
            edges = [_edges(Variation(plate, letter, 0)) for letter in (first, second)]
            assert np.abs(edges[0] - edges[1]).max() >= 1.5

    def test_captions_stand_in_many_places_and_letterings_beside_two_marks(self, plan):
        """Issue 23: six places and letterings and two marks, among the records and among the photos that show one."""
        for shown in ([r.shows for r in plan.records], [q.copy.shows for q in plan.queries if q.kind == "known"]):
            wordings = [_setting(shows) for shows in shown]
            assert len({place for place, _ in wordings}) >= 6
            assert len({design for _, design in wordings}) >= 6
            assert len({shows.issuer.name for shows in shown}) == 2

    def test_no_design_was_fitted_on(self):
        fitted = {Path(file).stem for kinds in CASES["fit"].values() for file in kinds}
        designs = {_setting(Variation(plate, "A", 0))[1] for plate in PLATES}
        assert not fitted & designs

    def test_same_seed_same_plan(self, plan):
        assert make_plan(make.DEFAULT_SEED) == plan
        assert make_plan(1) != plan


def _setting(shows: Variation) -> tuple[str, str]:
    """Place and design of a variation's name."""
    caption = shows.caption
    if caption.wording:
        return caption.wording.place, caption.wording.type.name
    return caption.style, Path(caption.font).stem


@pytest.fixture(scope="module")
def drawn(tmp_path_factory, plan) -> tuple[Path, Plan]:
    """Six records and five small queries, one a kind, drawn for real."""
    folder = tmp_path_factory.mktemp("demo")
    return folder, draw_part(folder, plan)


def draw_part(folder: Path, plan: Plan, processes: int = 1) -> Plan:
    smallest_first = sorted(plan.queries, key=lambda query: query.scene.width * query.scene.height)
    queries = [next(query for query in smallest_first if query.kind == kind) for kind in OUTCOMES]
    part = Plan(plan.records[7:13], tuple(queries))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(make, "make_plan", lambda seed: part)
        make_demo(folder, processes=processes)
    return part


class TestDrawn:
    def test_tables_and_files_agree(self, drawn):
        folder, part = drawn
        records, truth = _rows(folder / "records.csv"), _rows(folder / "truth.csv")
        assert tuple(records[0]) == RECORD_COLUMNS
        assert tuple(truth[0]) == TRUTH_COLUMNS
        assert len(records) == sum(len(record.copies) for record in part.records)
        images = {row["image"] for row in records}
        assert images == {f"references/{path.name}" for path in (folder / "references").iterdir()}
        assert {row["photo"] for row in truth} == {f"queries/{path.name}" for path in (folder / "queries").iterdir()}
        assert not images & {row["photo"] for row in truth}

    def test_truth_describes_the_photo(self, drawn):
        folder, _ = drawn
        for row in _rows(folder / "truth.csv"):
            photo = read_photo(folder / row["photo"])
            corners = np.array(json.loads(row["corners"]))
            assert (photo.width, photo.height) == (int(row["width"]), int(row["height"]))
            assert corners.shape == (4, 2)
            assert (corners > -5).all()
            assert (corners < (photo.width + 5, photo.height + 5)).all()
            assert row["outcome"] == OUTCOMES[row["kind"]]  # type: ignore[index]
            assert bool(row["record_id"]) == (row["outcome"] == "known")
            assert bool(row["pose"]) == (row["kind"] in ("known", "new_crop", "new_caption"))

    def test_references_are_scans(self, drawn):
        folder, _ = drawn
        for path in (folder / "references").iterdir():
            photo = read_photo(path)
            assert photo.dpi == 300
            assert 440 < photo.width < 600

    def test_same_seed_same_bytes(self, drawn, plan, tmp_path):
        """Also when two processes share the work."""
        draw_part(tmp_path, plan, processes=2)
        assert _digests(tmp_path) == _digests(drawn[0])


def _rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def _digests(folder: Path) -> dict[str, str]:
    files = sorted(path for path in folder.rglob("*") if path.is_file())
    return {str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest() for path in files}


def _letters_apart(first: str, second: str) -> int:
    """Levenshtein's distance."""
    row = list(range(len(second) + 1))
    for i, a in enumerate(first, start=1):
        before, row[0] = row[0], i
        for j, b in enumerate(second, start=1):
            before, row[j] = row[j], min(row[j] + 1, row[j - 1] + 1, before + (a != b))
    return row[-1]


def _edges(shows: Variation) -> np.ndarray:
    """Left, top, right, bottom of the window on the plate, in mm of a print at zoom 1."""
    plate = np.array([36.6, 61.0])
    half = np.array([36.6, 57.6]) / 2 / shows.window.zoom
    centre = np.clip(np.array([shows.window.x, shows.window.y]) * plate, half, plate - half)
    return np.concatenate([centre - half, centre + half])


class TestPage:
    def test_four_are_enrolled_and_two_show_one_picture_that_is_not(self, plan):
        cards = page_cards(plan)
        records = {record.record_id: record.shows for record in plan.records}
        assert [bool(record_id) for _, record_id in cards] == [True, True, False, True, True, False]
        assert all(records[record_id] == copy.shows for copy, record_id in cards if record_id)
        (one, two) = [copy for copy, record_id in cards if not record_id]
        assert one.shows == two.shows
        assert one.seed != two.seed
        assert one.shows.plate not in POSES

    def test_it_is_a_scan_of_a_whole_glass(self, plan, tmp_path):
        photo = read_photo(draw_page(plan, tmp_path, 1))
        assert photo.dpi == pytest.approx(300, abs=0.01)
        assert photo.width / photo.dpi * 25.4 == pytest.approx(216, abs=0.1)
