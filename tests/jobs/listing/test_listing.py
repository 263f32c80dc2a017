"""Claims against pictures, the verdict, batches, the command: with answers as `identify` gives them, invented."""

from __future__ import annotations

import csv
import json
import re
import shutil
from collections.abc import Iterable, Iterator
from dataclasses import replace
from importlib import import_module
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from matcher.catalogue import Catalogue
from matcher.catalogue.finds import sightings
from matcher.cli import app
from matcher.core.answer import (
    AnswerError,
    CandidateEvidence,
    CandidateResult,
    CardResult,
    DamageFact,
    FaceFacts,
    PhotoAnswer,
    TrimFact,
)
from matcher.core.answer_json import CAUTIONS
from matcher.core.errors import BadListing, BadTable, PlatekinError
from matcher.core.ladder.candidate import Confidence
from matcher.core.ladder.decision import Outcome
from matcher.core.settings import Settings
from matcher.jobs.job import Job, JobResult
from matcher.jobs.listing import batch
from matcher.jobs.listing.assess import Assessor
from matcher.jobs.listing.card_evidence import CatalogueFacts
from matcher.jobs.listing.claims import Reader
from matcher.jobs.listing.inspection import InspectCards, ListingPhoto
from matcher.jobs.listing.vocabulary import Vocabulary
from tests.jobs.listing.test_listing_words import RECORDS
from tests.support.cards import photo_answer

CONTRASTS = [k / 100 for k in range(10, 100, 3)]


@pytest.fixture(scope="module")
def assessor() -> Assessor:
    reader = Reader(Vocabulary.shipped().described_by(RECORDS), RECORDS)
    return Assessor(reader, CatalogueFacts.of(RECORDS, reader.poses, reader.crops, CONTRASTS, {}))


def candidate(
    number: int, pose: float = 0.99, crop: float | None = 0.98, caption: float | None = 0.97, mark: float | None = None
) -> CandidateResult:
    record = RECORDS[number - 1]
    return CandidateResult(
        record.record_id, record.pose, record.crop, record.caption, str(number),
        Confidence(pose, crop, caption, mark), None, CandidateEvidence(),
    )  # fmt: skip


def card(outcome: Outcome, *candidates: CandidateResult, contrast: float = 0.5, **facts: Any) -> CardResult:
    best = candidates[0] if outcome == "known" else None
    return CardResult(
        quad=((0.0, 0.0), (10.0, 0.0), (10.0, 20.0), (0.0, 20.0)),
        outcome=outcome,
        record_id=best and best.record_id,
        pose=candidates[0].pose if candidates else None,
        crop=best and best.crop,
        caption=None,
        confidence=Confidence(),
        candidates=candidates,
        face=replace(FaceFacts(None, residual_contrast=contrast, glare=0.0, sharpness=0.5, turned=0), **facts),
        reasons=("as it was found",),
    )


def photo(*cards: CardResult, name: str = "a.jpg", error: AnswerError | None = None) -> ListingPhoto:
    return ListingPhoto(PhotoAnswer(name, "0" * 64, 100, 200, error, cards, {}))


def weigh(assessor: Assessor, text: str, *photos: ListingPhoto) -> dict[str, Any]:
    return assessor.assess("it", text, photos)


def statuses(result: dict[str, Any]) -> dict[str, str]:
    return {claim["kind"]: claim["status"] for claim in result["claims"]}


KNOWN = card("known", candidate(1))
"""Arturo Brellby, P001: standing, with oar."""


def test_a_listing_that_fits(assessor: Assessor) -> None:
    found = weigh(assessor, "Arturo Brellby with oar, Quay Rowers, full length. Rebacked.", photo(KNOWN))
    assert statuses(found) == {
        "subject": "agrees", "pose": "agrees", "club": "agrees", "crop": "agrees", "condition": "cannot be told",
    }  # fmt: skip
    assert found["verdict"]["step"] == "in accord"
    assert found["cautions"] == list(CAUTIONS)
    (rebacked,) = [claim for claim in found["claims"] if claim["kind"] == "condition"]
    assert rebacked["reason"] == "rebacking cannot be told from a front"
    assert rebacked["confidence"] is None
    assert any("back" in question for question in found["questions"])


def test_a_claim_says_how_sure_it_is_once_and_what_was_read_on_an_unknown_card_is_said_once(assessor: Assessor) -> None:
    """The number stands with the claim; a sentence that gave it too gave it otherwise: 'over 99 %' beside '(1.00)'."""
    fits = weigh(assessor, "Arturo Brellby, seated, Quay Rowers", photo(KNOWN))
    settled = [claim for claim in fits["claims"] if claim["confidence"] is not None]
    assert len(settled) == 3
    for told in (*(claim["reason"] for claim in settled), fits["verdict"]["words"]):
        assert not re.search(r"\([\d.]+( %)?\)", told), told
    new = weigh(
        assessor, "Arturo Brellby, seated, Quay Rowers", photo(card("new_pose", candidate(1, 0.03, None, None)))
    )
    told = [*(claim["reason"] for claim in new["claims"]), new["verdict"]["words"], *new["notes"]]
    assert sum("as it was found" in one for one in told) == 1


def test_the_sitter_is_right_and_the_pose_is_not(assessor: Assessor) -> None:
    found = weigh(assessor, "Arturo Brellby, seated", photo(KNOWN))
    assert statuses(found) == {"subject": "agrees", "pose": "contradicts"}
    (pose,) = [claim for claim in found["claims"] if claim["kind"] == "pose"]
    assert pose["confidence"] == pytest.approx(0.99)
    assert "P002" in pose["reason"]
    assert "P001: standing, with oar" in pose["reason"]
    assert found["verdict"]["step"] == "at odds"
    assert any("sitter is right, the pose is not" in note for note in found["notes"])


def test_all_that_another_pose_is_described_by_contradicts_and_one_thing_of_it_does_not(assessor: Assessor) -> None:
    """P001 'standing; with oar' is shown; P002 is 'seated, lantern at feet'."""
    whole = weigh(assessor, "Arturo Brellby, seated, lantern at feet", photo(KNOWN))
    assert {claim["value"]: claim["status"] for claim in whole["claims"] if claim["kind"] == "pose"} == {
        "seated": "contradicts",
        "lantern at feet": "contradicts",
    }
    part = weigh(assessor, "Arturo Brellby standing, oar in hand, lantern at feet", photo(KNOWN))
    assert {claim["value"]: claim["status"] for claim in part["claims"] if claim["kind"] == "pose"} == {
        "standing": "agrees",
        "with oar": "agrees",
        "lantern at feet": "cannot be told",
    }


def test_a_part_of_a_description_is_said_in_whatever_words() -> None:
    """'Bat on shoulder' says 'with bat' too; a listing that gives the first has said that part."""
    described = {"P001": "kneeling", "P002": "bat on shoulder"}
    records = [replace(record, extra={"pose_description": described.get(record.pose, "")}) for record in RECORDS]
    reader = Reader(Vocabulary.shipped().described_by(records), records)
    assert reader.poses["P002"].parts == ({"bat on shoulder", "with bat"},)
    assessor = Assessor(reader, CatalogueFacts.of(records, reader.poses, reader.crops, CONTRASTS, {}))
    for said in ("bat on his shoulder", "holding a bat"):
        found = weigh(assessor, f"Arturo Brellby, {said}", photo(KNOWN))
        assert statuses(found) == {"subject": "agrees", "pose": "contradicts"}, said


def test_no_picture_shows_a_year_or_a_series() -> None:
    """The catalogue says otherwise: that is told, and no contradiction."""
    records = [replace(record, year="1885", series="Small") for record in RECORDS]
    reader = Reader(Vocabulary.shipped().described_by(records), records)
    assessor = Assessor(reader, CatalogueFacts.of(records, reader.poses, reader.crops, CONTRASTS, {}))
    found = weigh(assessor, "Arturo Brellby, 1888", photo(KNOWN))
    (year,) = [claim for claim in found["claims"] if claim["kind"] == "year"]
    assert year["status"] == "cannot be told"
    assert year["reason"] == "no picture shows a year; your catalogue says 1885 of V001"
    assert weigh(assessor, "Arturo Brellby, 1885", photo(KNOWN))["claims"][-1]["status"] == "agrees"


def test_each_sitter_of_a_text_is_paired_with_a_card_of_the_picture(assessor: Assessor) -> None:
    """Two cards, two sitters: what is said of one is not held against the other's card."""
    both = photo(KNOWN, card("known", candidate(4)))
    found = weigh(assessor, "Lot of 2: Arturo Brellby standing, with oar. J. Pinnock seated.", both)
    assert {(claim["kind"], claim["value"]): claim["status"] for claim in found["claims"]} == {
        ("count", "2"): "agrees",
        ("subject", "Arturo Brellby"): "agrees",
        ("subject", "J. Pinnock"): "agrees",
        ("pose", "standing"): "agrees",
        ("pose", "with oar"): "agrees",
        ("pose", "seated"): "agrees",
    }


def worn(kind: str = "", probability: float = 0.9, trims: tuple[float, ...] = (), on: str = "this card") -> CardResult:
    """A known card, on which something lies or from which something was cut."""
    damage = (DamageFact(kind, on, "upper left", (1.0, 1.0, 9.0, 4.0), 12.0, probability),) if kind else ()
    cut = (TrimFact(on, *trims),) if trims else ()
    beside = replace(candidate(1), evidence=CandidateEvidence(damage=damage, trimmed=cut))
    return card("known", beside)


@pytest.mark.parametrize(
    ("text", "shown", "expected"),
    [
        ("creased", worn("crease"), "agrees"),
        ("creased", worn("crease", 0.6), "cannot be told"),
        ("creased", worn("crease", on="the reference"), "cannot be told"),
        ("creased", worn("stain"), "cannot be told"),
        ("stained", worn("stain"), "agrees"),
        ("no creases", worn("crease"), "cannot be told"),
        ("uncreased", worn(), "cannot be told"),
        ("trimmed", worn(trims=(0.0, 0.0, 1.4, 0.0)), "agrees"),
        ("trimmed", worn(trims=(0.0, 0.0, 1.4, 0.0), on="the reference"), "cannot be told"),
        ("trimmed", worn(trims=(0.0, 0.0, 0.4, 0.0)), "cannot be told"),
        ("untrimmed", worn(trims=(0.0, 1.6, 0.0, 0.0)), "contradicts"),
    ],
)
def test_what_is_seen_beside_the_known_card_is_set_beside_the_words(
    assessor: Assessor, text: str, shown: CardResult, expected: str
) -> None:
    """It said 'creases are not measured' of a card on which it had just found one."""
    (told,) = weigh(assessor, text, photo(shown))["claims"]
    assert (told["status"], told["confidence"] is None) == (expected, expected == "cannot be told")
    told_of = {one.kind for one in shown.candidates[0].evidence.damage or () if one.on == "this card"}
    assert ("crease is seen at the upper left" in told["reason"]) == ("crease" in told_of)


@pytest.mark.parametrize(
    ("text", "cards", "expected"),
    [
        # another sitter
        ("Zoë Ondarre", [KNOWN], "contradicts"),
        # a description that is silent on something is no denial, though another pose's speaks of it
        ("lantern at feet", [KNOWN], "cannot be told"),
        # a term that no description of the sitter has
        ("arms folded", [KNOWN], "cannot be told"),
        # not sure enough of the pose to speak against it
        ("seated", [card("undecided", candidate(1, pose=0.7))], "cannot be told"),
        # a negative that is not known
        ("seated", [card("new_pose", candidate(1, 0.03, None, None))], "cannot be told"),
        ("Arturo Brellby", [card("new_pose", candidate(1, 0.03, None, None))], "cannot be told"),
        # two poses of one sitter left: the sitter is sure
        ("Arturo Brellby", [card("undecided", candidate(1, 0.5), candidate(2, 0.48))], "agrees"),
        ("with oar", [card("undecided", candidate(1, 0.5), candidate(2, 0.48))], "cannot be told"),
        # captions, to the letter
        ("caption reads 'Arturo Brellby'", [KNOWN], "agrees"),
        ("caption reads 'Arturo Brelby'", [KNOWN], "contradicts"),
        ("caption reads 'Arturo Brellbie'", [KNOWN], "cannot be told"),
        ("caption reads 'Arturo Brelby'", [card("undecided", candidate(1, caption=None))], "cannot be told"),
        # a crop, a club, what is not described or stated
        ("bust", [KNOWN], "contradicts"),
        ("bust", [card("new_crop", candidate(1, crop=0.01, caption=None))], "cannot be told"),
        ("Tessaly R. C.", [KNOWN], "contradicts"),
        ("Fern Cocoa", [KNOWN], "cannot be told"),
        ("unlisted", [KNOWN], "contradicts"),
        ("unlisted", [card("new_pose", candidate(1, 0.03, None, None))], "agrees"),
        ("unlisted", [card("new_crop", candidate(1, 0.99, 0.03, None))], "agrees"),
        ("unlisted", [card("new_caption", candidate(1, 0.99, 0.99, 0.02))], "agrees"),
        ("unlisted", [card("new_mark", candidate(1, 0.99, 0.99, 0.98, 0.02))], "agrees"),
        # denied
        ("not Pinnock", [KNOWN], "agrees"),
        ("not Brellby", [KNOWN], "contradicts"),
        # condition words beside the catalogue's cards
        ("strong image", [card("known", candidate(1), contrast=0.12)], "contradicts"),
        ("strong image", [card("known", candidate(1), contrast=0.9)], "agrees"),
        ("strong image", [card("known", candidate(1), contrast=0.5)], "cannot be told"),
        ("faded", [card("known", candidate(1), contrast=0.2)], "agrees"),
        ("not faded", [card("known", candidate(1), contrast=0.12)], "contradicts"),
        # measured on a scan
        ("1 7/16 x 2 1/2 in", [card("known", candidate(1), size_mm=(36.4, 63.6))], "agrees"),
        ("42 x 63 mm", [card("known", candidate(1), size_mm=(36.4, 63.6))], "contradicts"),
        ("trimmed", [card("known", candidate(1), off_size_mm=(-2.1, 0.1), sigma={"size_mm": 0.2})],
         "agrees"),
        ("trimmed", [card("known", candidate(1), off_size_mm=(0.1, 0.1), sigma={"size_mm": 0.2})],
         "contradicts"),
        ("Untrimmed", [card("known", candidate(1), off_size_mm=(0.1, 0.1), sigma={"size_mm": 0.2})], "agrees"),
        ("un-trimmed", [card("known", candidate(1), off_size_mm=(-2.1, 0.1), sigma={"size_mm": 0.2})], "contradicts"),
        ("36 x 63 mm", [KNOWN], "cannot be told"),
        # proportions alone: an insert is 1 to 1.74, a cabinet card 1 to 1.53
        ("108 x 165 mm", [card("known", candidate(1), aspect=0.5786, sigma={"off_nominal": 0.042})], "contradicts"),
        ("165 x 108 mm", [card("known", candidate(1), aspect=1.728, sigma={"off_nominal": 0.042})], "contradicts"),
        ("36.5 x 63.5 mm", [card("known", candidate(1), aspect=0.5786, sigma={"off_nominal": 0.042})],
         "cannot be told"),
        ("108 x 165 mm", [card("known", candidate(1), aspect=0.65, off_nominal=-0.007, format="cabinet")],
         "cannot be told"),
        ("108 x 165 mm", [card("new_pose", aspect=0.5786, sigma={"off_nominal": 0.042})], "cannot be told"),
        ("Cabinet photo", [card("known", candidate(1), aspect=0.5786, sigma={"off_nominal": 0.042})], "contradicts"),
        ("not a cabinet photo", [card("known", candidate(1), aspect=0.5786, sigma={"off_nominal": 0.042})], "agrees"),
        ("CDV", [card("known", candidate(1), size_mm=(61.0, 103.0))], "agrees"),
        ("carte-de-visite size", [card("known", candidate(1), size_mm=(36.4, 63.6))], "contradicts"),
        # how many
        ("one card", [KNOWN], "agrees"),
        ("two cards", [KNOWN], "contradicts"),
        ("one card", [KNOWN, KNOWN], "contradicts"),
        ("one card", [KNOWN, card("new_pose")], "cannot be told"),
        # one of several cards on a picture
        ("Pinnock", [KNOWN, card("known", candidate(4))], "agrees"),
        ("Ondarre", [KNOWN, card("known", candidate(4))], "contradicts"),
        ("Ondarre", [KNOWN, card("unreadable")], "cannot be told"),
        ("Ondarre", [], "cannot be told"),
    ],
)  # fmt: skip
def test_one_claim(assessor: Assessor, text: str, cards: list[CardResult], expected: str) -> None:
    found = weigh(assessor, text, photo(*cards))
    (told,) = [claim for claim in found["claims"] if claim["kind"] != "subject" or len(found["claims"]) == 1]
    assert (told["status"], bool(told["reason"])) == (expected, True)
    assert (told["confidence"] is None) == (expected == "cannot be told")


def test_a_record_that_was_accepted_meanwhile_breaks_nothing(assessor: Assessor) -> None:
    """The pictures are compared by processes that see what was decided since the listing was begun."""
    new = replace(candidate(1), record_id="V9999", pose="P999")
    shown = card("known", new, candidate(1, 0.01, None, None))
    for text in ("Arturo Brellby, seated, bust, Tessaly R. C., caption reads 'X', unlisted", "unlisted", "seated"):
        found = weigh(assessor, text, photo(shown))
        assert not [one for one in found["claims"] if one["kind"] != "subject" and one["status"] == "agrees"]


def test_a_name_that_is_not_sure_contradicts_nothing(assessor: Assessor) -> None:
    assert statuses(weigh(assessor, "Quentin Ondarre", photo(KNOWN))) == {"subject": "cannot be told"}


def test_the_rest_is_asked_of_the_card_that_is_named(assessor: Assessor) -> None:
    found = weigh(assessor, "Pinnock, sitting", photo(KNOWN, card("known", candidate(4))))
    assert statuses(found) == {"subject": "agrees", "pose": "agrees"}
    assert any("shows Arturo Brellby, whom the text does not name" in note for note in found["notes"])


def test_ten_cards_under_one_description(assessor: Assessor) -> None:
    found = weigh(assessor, "Arturo Brellby with oar", photo(*[KNOWN] * 10))
    assert found["verdict"]["step"] == "in accord"
    assert any("10 cards" in note for note in found["notes"])


def test_a_picture_that_cannot_be_read_is_told(assessor: Assessor) -> None:
    error = AnswerError("truncated", "b.jpg: the picture breaks off")
    found = weigh(assessor, "Arturo Brellby", photo(name="b.jpg", error=error))
    assert found["verdict"]["step"] == "open"
    assert "b.jpg: the picture breaks off" in found["notes"]
    assert found["questions"]


def test_a_text_that_claims_nothing(assessor: Assessor) -> None:
    found = weigh(assessor, "写真 старая открытка", photo(KNOWN))
    assert found["verdict"]["step"] == "open"
    assert [one["words"] for one in found["unread"]] == ["写真 старая открытка"]


def test_results_are_plain_json(assessor: Assessor) -> None:
    found = weigh(assessor, "<script>alert(1)</script> Brellby, 1 7/16 x 2 1/2 in, two cards, 1887", photo(KNOWN))
    assert json.loads(json.dumps(found)) == found
    assert found["text"].startswith("<script>")


# Batches


@pytest.fixture
def lot(tmp_path: Path, stock: Path) -> Path:
    """A table of three listings of the stock's scans, one of which cannot be weighed."""
    shutil.copytree(stock / "catalogue", tmp_path / "mine")
    for number in (0, 1):
        shutil.copy(stock / f"scan{number}.png", tmp_path / f"s{number}.png")
    write(
        tmp_path / "table.csv", [("a", "Sitter 0", "s0.png"), ("b", "Sitter 0", "s1.png;s0.png"), ("c", "", "s0.png")]
    )
    return tmp_path


def write(path: Path, rows: Iterable[tuple[str, str, str]]) -> None:
    with path.open("w", encoding="utf-8", newline="") as stream:
        csv.writer(stream).writerows([("listing", "text", "photos"), *rows])


@pytest.fixture
def asked(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Photos are answered without being looked at; gives the names of those that were asked about."""
    names: list[str] = []

    def answers(jobs: list[Job], *_: Any) -> Iterator[JobResult]:
        for job in jobs:
            assert job.steps == (InspectCards(),)
            names.append(Path(job.name).name)
            yield JobResult(photo(card("new_pose"), name=job.name).answer)

    monkeypatch.setattr(batch, "identify_all", answers)
    return names


def run(lot: Path) -> list[dict[str, Any]]:
    return list(batch.weigh_all(lot / "table.csv", lot / "mine", lot / "out.jsonl", Settings()))


def test_a_batch_goes_on_where_it_was_stopped(lot: Path, asked: list[str]) -> None:
    results = batch.weigh_all(lot / "table.csv", lot / "mine", lot / "out.jsonl", Settings())
    first = next(results)
    results.close()
    with (lot / "out.jsonl").open("a") as stream:
        stream.write('{"listing": "b", "half a li')  # what a kill may leave
    asked.clear()
    again = run(lot)
    assert [result["listing"] for result in again] == ["a", "b", "c"]
    assert again[0] == first
    assert asked == ["s1.png", "s0.png"]
    assert again[2]["error"]["code"] == "empty_text"
    assert "table.csv line 4" in again[2]["error"]["message"]
    asked.clear()
    assert (run(lot), asked) == (again, [])
    assert len((lot / "out.jsonl").read_text().splitlines()) == 3


def test_what_has_changed_is_weighed_anew(lot: Path, asked: list[str]) -> None:
    run(lot)
    asked.clear()
    write(lot / "table.csv", [("a", "Sitter 1", "s0.png"), ("b", "Sitter 0", "s1.png;s0.png")])
    run(lot)
    assert asked == ["s0.png"]
    asked.clear()
    (lot / "mine" / "vocabulary.json").write_text('{"idle": ["freepost"]}')
    run(lot)
    assert asked == ["s0.png", "s1.png", "s0.png"]


@pytest.mark.parametrize(
    ("rows", "code"),
    [
        ([], "empty_table"),
    ],
)
def test_tables_that_are_refused(lot: Path, rows: list[tuple[str, str, str]], code: str) -> None:
    write(lot / "table.csv", rows)
    with pytest.raises(BadTable) as raised:
        run(lot)
    assert raised.value.code == code
    assert not (lot / "out.jsonl").exists()


def test_a_column_under_another_name_is_told_with_what_it_was_meant_to_be(tmp_path: Path) -> None:
    (tmp_path / "table.csv").write_text("listing,description,foto\na,x,s0.png\n")
    with pytest.raises(BadTable) as raised:
        batch.read_rows(tmp_path / "table.csv")
    told = str(raised.value)
    assert "no column photos, text or text_file; found: listing, description, foto" in told
    assert "foto: did you mean photos?" in told
    assert "description: did you mean text?" in told
    assert "rename the columns" in told


def test_a_bad_row_of_a_table_costs_only_itself(lot: Path, asked: list[str]) -> None:
    """Two of one name, one without, one without a text: the others go on."""
    rows = [("a", "x", "s0.png"), ("a", "y", "s0.png"), ("", "x", "s0.png"), ("b", "", "s0.png"), ("c", "z", "s1.png")]
    write(lot / "table.csv", rows)
    found = run(lot)
    assert [(one["listing"], (one["error"] or {}).get("code")) for one in found] == [
        ("a", None), ("a (line 3)", "clash"), ("line 4", "missing_value"), ("b", "empty_text"), ("c", None),
    ]  # fmt: skip


def test_each_listing_has_one_line_however_often_it_was_changed(lot: Path, asked: list[str]) -> None:
    run(lot)
    write(lot / "table.csv", [("a", "Sitter 1", "s0.png"), ("b", "Sitter 0", "s1.png;s0.png")])
    run(lot)
    stored = [json.loads(line) for line in (lot / "out.jsonl").read_text().splitlines()]
    assert [one["listing"] for one in stored if one["listing"] in ("a", "b")].count("a") == 1
    assert next(one for one in stored if one["listing"] == "a")["text"] == "Sitter 1"


def test_a_text_in_any_encoding_is_read(tmp_path: Path) -> None:
    for encoding in ("utf-8", "utf-8-sig", "utf-16", "cp1252", "mac_roman"):
        (tmp_path / "listing.txt").write_bytes("Zoë, Café Fünf".encode(encoding))
        assert batch.read_text(tmp_path / "listing.txt") == "Zoë, Café Fünf"


def test_a_file_of_something_else_is_not_written_to(lot: Path, asked: list[str]) -> None:
    (lot / "out.jsonl").write_text('{"photo": "a.jpg"}\n')
    with pytest.raises(BadListing, match="line 1") as raised:
        run(lot)
    assert raised.value.code == "bad_results"
    assert (lot / "out.jsonl").read_text() == '{"photo": "a.jpg"}\n'


def test_photos_of_a_folder_and_too_many(tmp_path: Path) -> None:
    folder = tmp_path / "pictures"
    folder.mkdir()
    for name in ("b.jpg", "a.PNG", "notes.txt"):
        (folder / name).touch()
    assert [path.name for path in batch.photos_of(tmp_path, "pictures")] == ["a.PNG", "b.jpg"]
    for told, code in ((" ; ", "no_photo"), (";".join(["a.jpg"] * 25), "too_many_photos")):
        with pytest.raises(BadListing) as raised:
            batch.photos_of(tmp_path, told)
        assert raised.value.code == code


# The command


def call(lot: Path, *words: Any, code: int = 0, said: str | bytes | None = None) -> Any:
    result = CliRunner().invoke(app, ["listing", *map(str, words), "-c", str(lot / "mine")], input=said)
    assert result.exit_code == code, result.output + str(result.exception)
    return result


def test_the_command_weighs_a_listing_and_notes_sightings(lot: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path, told = photo_answer(lot, 60, "known", pose="P000", record_id="V000")
    monkeypatch.setattr(import_module("matcher.cli.listing"), "identify_all", lambda jobs, *_: iter([JobResult(told)]))
    shown = call(lot, "--text", "-", path, said="Sitter 0")
    assert shown.stdout.startswith("MATCHES   subject as described")
    assert CAUTIONS[0] in shown.stdout
    noted = ("--note-sightings", "--source", "sale 12", "--seen-on", "1999-05", "--by", "Ada Quill")
    found = json.loads(call(lot, "--text", "-", "--format", "json", path, *noted, said="Sitter 0").stdout)
    assert found["verdict"]["step"] == "in accord"
    with Catalogue.open(lot / "mine") as catalogue:
        (row,) = sightings.sightings(catalogue)
        assert (row.record_id, row.source, row.seen_on, row.who) == ("V000", "sale 12", "1999-05", "Ada Quill")
        assert row.quad[0] == (0.0, 0.0)
        assert catalogue.decisions()[-1].note == "listing the text: in accord"


def test_where_no_picture_could_be_read_nothing_is_said_of_what_a_result_is_not(
    lot: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path, told = photo_answer(lot, 60, "known", pose="P000", record_id="V000")
    lost = replace(told, cards=(), error=AnswerError("truncated", "the file is cut short"))
    monkeypatch.setattr(import_module("matcher.cli.listing"), "identify_all", lambda jobs, *_: iter([JobResult(lost)]))
    shown = call(lot, "--text", "-", path, said="Sitter 0", code=1)
    assert CAUTIONS[0] not in shown.stdout
    assert CAUTIONS[2] in shown.stdout  # the seller is asked for another picture


def test_the_command_writes_control_characters_nowhere(lot: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path, told = photo_answer(lot, 61, "new_pose", pose="P000")
    monkeypatch.setattr(import_module("matcher.cli.listing"), "identify_all", lambda jobs, *_: iter([JobResult(told)]))
    shown = call(lot, "--text", "-", path, said="Sitter 0 [red]\x1b[31mgadget\x07 <script>x</script>")
    assert "\x1b" not in shown.stdout
    assert "<script>x</script>" in shown.stdout


@pytest.mark.parametrize(
    ("words", "said", "code"),
    [
        (["--text", "-", "a.jpg"], "", "empty_text"),
        (["--text", "-", "a.jpg"], b"a\0\0\1\2\xff\xfe", "not_utf8"),
        (["--text", "-", "a.jpg"], "x" * 1_000_001, "text_too_large"),
        (["--text", "none.txt", "a.jpg"], "", "missing_file"),
        (["--text", "-"], "x", "no_photo"),
        (["--text", "-", *["a.jpg"] * 25], "x", "too_many_photos"),
    ],
)
def test_calls_that_are_refused(lot: Path, words: list[str], said: str | bytes, code: str) -> None:
    error = call(lot, *words, code=1, said=said).exception
    assert isinstance(error, PlatekinError)
    assert error.code == code
    assert error.remedy


def test_a_call_without_text_or_with_both_is_a_wrong_call(lot: Path) -> None:
    call(lot, "a.jpg", code=2)
    call(lot, "--text", "-", "--table", "t.csv", code=2)
    call(lot, "--table", lot / "table.csv", code=2)


def test_a_table_by_command(lot: Path, asked: list[str]) -> None:
    result = call(lot, "--table", lot / "table.csv", "--output", lot / "out.jsonl", code=1)
    assert [line.split("   ")[:2] for line in result.stdout.splitlines()] == [
        ["a", "can't tell"],
        ["b", "can't tell"],
        ["c", "error"],
    ]
