"""A lot of scans: gathered, resumed, retried; originals untouched; duplicates, sides and families."""

from __future__ import annotations

import hashlib
import os
import shutil
from pathlib import Path

import pytest
from PIL import Image

from matcher.catalogue import Catalogue
from matcher.core.errors import CatalogueError
from matcher.core.settings import Settings
from matcher.jobs.lot import store
from matcher.jobs.lot.cards import cards_of
from matcher.jobs.lot.clustering import group_cards
from matcher.jobs.lot.discovery import gather
from matcher.jobs.lot.recto_verso import tell_sides
from matcher.jobs.lot.run import plan
from matcher.jobs.lot.store import PairRow
from matcher.lab.evaluation import lot_kills
from tests.support.lots import Quick, akin, draw_scan, found, tag


@pytest.fixture
def lot_scans(tmp_path: Path) -> Path:
    """Six scans in two folders, one of them a second time, one that is no picture, and other files."""
    folder = tmp_path / "box"
    for number in range(1, 6):
        draw_scan(folder / f"page{number}.png", number)
    draw_scan(folder / "Кутия №2" / "лист 10.png", 10)
    shutil.copyfile(folder / "page1.png", folder / "Кутия №2" / "again.png")
    (folder / "broken.jpg").write_text("no picture")
    (folder / "notes.txt").write_text("mine")
    (folder / ".hidden.png").write_bytes(b"x")
    shutil.copyfile(folder / "page5.png", folder / "without_suffix")
    return folder


def answers() -> Quick:
    known = found("known", record_id="V000", pose="P000", crop="A", confidence={"record": 0.95})
    return Quick({
        "page1.png": [known], "again.png": [known], "page2.png": [found("new_pose"), found("undecided", pose="P000")],
        "page3.png": [found("new_pose")], "page4.png": [known], "page5.png": [found("unreadable")],
        "лист 10.png": [found("new_crop", pose="P000")], "without_suffix": [found("unreadable")],
    })  # fmt: skip


def checksums(folder: Path) -> dict[str, tuple[str, int]]:
    return {
        str(p.relative_to(folder)): (hashlib.sha256(p.read_bytes()).hexdigest(), p.stat().st_mtime_ns)
        for p in folder.rglob("*")
        if p.is_file()
    }


def test_a_lot_is_tagged_once_and_the_originals_are_untouched(catalogue: Catalogue, lot_scans: Path) -> None:
    before = checksums(lot_scans)
    quick = answers()
    done = tag(catalogue, lot_scans, quick)
    # page1 and again, page5 and without_suffix hold the same: each content is asked once.
    assert sorted(quick.asked) == sorted({*quick.asked})
    assert len(quick.asked) == 7
    assert done.counts == {"queued": 0, "done": 8, "failed": 1}
    assert dict(done.gathered.aside) == {".txt": 1}
    (failed,) = store.items(catalogue, done.lot.lot_id, "failed")
    assert (failed.name, failed.code) == ("broken.jpg", "no_card")
    again = answers()
    assert tag(catalogue, lot_scans, again).asked == 0
    assert again.asked == []
    assert checksums(lot_scans) == before


def test_a_check_run_writes_nothing(catalogue: Catalogue, lot_scans: Path) -> None:
    would = plan(catalogue, [lot_scans], Settings())
    assert (would.lot, would.to_ask, would.known, would.twice, len(would.damaged)) == (None, 6, 0, 2, 1)
    assert store.lots(catalogue) == ()
    assert not (catalogue.folder / store.FOLDER).exists()
    tag(catalogue, lot_scans, answers())
    would = plan(catalogue, [lot_scans], Settings())
    assert would.lot is not None
    assert (would.to_ask, would.known, would.failed) == (0, 8, 1)


def test_a_stopped_lot_goes_on_where_it_was(catalogue: Catalogue, lot_scans: Path) -> None:
    quick = answers()
    quick.stop_after = 3
    with pytest.raises(KeyboardInterrupt):
        tag(catalogue, lot_scans, quick)
    (lot,) = store.lots(catalogue)
    assert store.counts(catalogue, lot.lot_id)["queued"] > 0
    rest = answers()
    done = tag(catalogue, lot_scans, rest)
    assert done.lot.lot_id == lot.lot_id
    assert not set(quick.asked) & set(rest.asked)
    assert len(quick.asked) + len(rest.asked) == 7
    assert tag(catalogue, lot_scans, answers(), new=True).lot.lot_id != lot.lot_id


def test_a_failed_item_is_tried_again_alone_and_only_when_asked(catalogue: Catalogue, lot_scans: Path) -> None:
    lot_id = tag(catalogue, lot_scans, answers()).lot.lot_id
    (failed,) = store.items(catalogue, lot_id, "failed")
    assert store.requeue(catalogue, lot_id, [failed.number]) == 1
    quick = answers()
    quick.cards = {"broken.jpg": [found("undecided")]}
    assert tag(catalogue, lot_scans, quick).counts["failed"] == 0
    assert quick.asked == ["broken.jpg"]


def test_a_file_that_changes_or_vanishes_during_the_run(catalogue: Catalogue, lot_scans: Path) -> None:
    quick = answers()

    def meddle(job: object) -> None:
        if len(quick.asked) == 0:
            draw_scan(lot_scans / "page3.png", 99)
            (lot_scans / "page4.png").unlink()

    quick.before = meddle  # type: ignore[assignment]
    done = tag(catalogue, lot_scans, quick)
    failed = {item.name: item.code for item in store.items(catalogue, done.lot.lot_id, "failed")}
    assert failed == {"broken.jpg": "no_card", "page3.png": "changed", "page4.png": "missing_file"}
    quick = answers()
    draw_scan(lot_scans / "page4.png", 4)
    assert tag(catalogue, lot_scans, quick).counts == {"queued": 0, "done": 8, "failed": 1}
    assert sorted(quick.asked) == ["page3.png", "page4.png"]


def test_a_changed_file_is_asked_again(catalogue: Catalogue, lot_scans: Path) -> None:
    tag(catalogue, lot_scans, answers())
    draw_scan(lot_scans / "page2.png", 98)
    draw_scan(lot_scans / "page11.png", 97)
    quick = answers()
    quick.cards = {**quick.cards, "page11.png": [found("undecided")]}
    assert tag(catalogue, lot_scans, quick).counts["done"] == 9
    assert quick.asked == ["page2.png", "page11.png"]


def test_two_runs_on_one_lot_at_once(catalogue: Catalogue, lot_scans: Path) -> None:
    quick = answers()
    second: list[str] = []

    def begin_again(job: object) -> None:
        with pytest.raises(CatalogueError) as caught:
            tag(catalogue, lot_scans, answers())
        second.append(caught.value.code)

    quick.before = begin_again  # type: ignore[assignment]
    assert tag(catalogue, lot_scans, quick).counts["done"] == 8
    assert set(second) == {"lot_busy"}
    assert len(quick.asked) == 7


def test_bad_sources_are_told(catalogue: Catalogue, tmp_path: Path) -> None:
    (tmp_path / "empty").mkdir()
    for source, code in ((tmp_path / "nowhere", "missing_file"), (tmp_path / "empty", "no_pictures")):
        with pytest.raises(CatalogueError) as caught:
            tag(catalogue, source, answers())
        assert caught.value.code == code
        assert caught.value.remedy
    assert store.lots(catalogue) == ()


def test_files_are_sorted_as_people_number_them(lot_scans: Path) -> None:
    draw_scan(lot_scans / "page10.png", 1)
    names = [path.name for path in gather([lot_scans]).pictures]
    assert names.index("page10.png") > names.index("page5.png")
    assert "without_suffix" in names  # told by its first bytes
    assert ".hidden.png" not in names


@pytest.mark.skipif(os.name != "posix", reason="names are bytes on POSIX only")
def test_a_name_that_is_no_text(catalogue: Catalogue, tmp_path: Path) -> None:
    folder = os.fsencode(tmp_path) + b"/odd"
    os.mkdir(folder)  # noqa: PTH102
    scan = draw_scan(tmp_path / "plain.png", 5)
    try:
        os.rename(os.fsencode(scan), folder + b"/caf\xe9.png")  # noqa: PTH104
    except OSError:
        pytest.skip("this file system takes text only")
    quick = Quick({os.fsdecode(b"caf\xe9.png"): [found("undecided")]})
    done = tag(catalogue, tmp_path / "odd", quick)
    (card,) = cards_of(catalogue, done.lot)
    assert card.item.name == "caf�.png"
    assert os.fsencode(card.item.path.name) == b"caf\xe9.png"


def test_pages_of_one_file_are_items(catalogue: Catalogue, tmp_path: Path) -> None:
    pages = [Image.new("L", (276, 480), tone) for tone in (40, 90, 140)]
    (tmp_path / "box").mkdir()
    pages[0].save(tmp_path / "box" / "all.tif", save_all=True, append_images=pages[1:])
    done = tag(catalogue, tmp_path / "box", Quick({"all.tif": [found("undecided")]}))
    rows = store.items(catalogue, done.lot.lot_id)
    assert [(row.page, row.pages, row.label) for row in rows] == [(k, 3, f"all.tif, page {k + 1}") for k in range(3)]
    assert done.counts["done"] == 3


@pytest.mark.parametrize(
    ("names", "front", "back"),
    [
        (["1_front.jpg", "1_back.jpg"], "1_front.jpg", "1_back.jpg"),
        (["IMG 7a.png", "IMG 7b.png"], "IMG 7a.png", "IMG 7b.png"),
        (["x-r.tif", "x-v.tif"], "x-r.tif", "x-v.tif"),
        (["1_FRONT.jpg", "1_Back.jpg"], "1_FRONT.jpg", "1_Back.jpg"),
        (["12 recto.jpg", "12 verso.jpg", "12 other.jpg"], "12 recto.jpg", "12 verso.jpg"),
    ],
)
def test_sides_by_names(names: list[str], front: str, back: str) -> None:
    told = tell_sides([Path(name) for name in names])
    assert told.other[Path(front)] == Path(back)
    assert (told.of(Path(front)), told.of(Path(back))) == ("front", "back")
    assert len(told.side) == 2


def test_sides_are_not_guessed() -> None:
    assert not tell_sides([Path("2_back.jpg"), Path("bob.jpg"), Path("f.jpg"), Path("b.jpg"), Path("x_a.jpg")]).side
    assert not tell_sides([Path("a/1_front.jpg"), Path("b/1_back.jpg")]).side
    by_order = tell_sides([Path("1.jpg"), Path("2.jpg"), Path("3.jpg")], "order")
    assert by_order.other == {Path("1.jpg"): Path("2.jpg"), Path("2.jpg"): Path("1.jpg")}
    assert not tell_sides([Path("1_front.jpg"), Path("1_back.jpg")], "none").side


def test_fronts_and_backs_are_paired_card_by_card(catalogue: Catalogue, tmp_path: Path) -> None:
    box = tmp_path / "box"
    for seed, name in enumerate(("1_front.png", "1_back.png", "2_front.png", "2_back.png")):
        draw_scan(box / name, seed)
    two = [found("new_pose"), found("undecided")]
    quick = Quick({"1_front.png": two, "1_back.png": two, "2_front.png": two, "2_back.png": two[:1]})
    done = tag(catalogue, box, quick)
    cards = {card.card: card for card in cards_of(catalogue, done.lot)}
    by_file = {(card.item.name, card.position): card for card in cards.values()}
    first = by_file["1_front.png", 2]
    assert cards[first.other] is by_file["1_back.png", 2]
    assert not by_file["1_back.png", 1].is_front
    assert by_file["2_front.png", 1].other == ""  # two fronts and one back: nobody can say whose it is
    assert not by_file["2_back.png", 1].is_front


def test_the_same_scan_the_same_card_and_copies_of_a_record(catalogue: Catalogue, lot_scans: Path) -> None:
    done = tag(catalogue, lot_scans, answers())
    by_name = {(c.item.name, c.position): c for c in cards_of(catalogue, done.lot)}
    one, again, four = by_name["page1.png", 1], by_name["again.png", 1], by_name["page4.png", 1]
    first, repeated = sorted((one, again), key=lambda card: card.item.number)
    assert repeated.same_scan == (first.card,)
    assert (repeated.is_front, first.is_front, repeated.original) == (False, True, first.card)
    assert four.same_record == (first.card,)
    akin(catalogue, done.lot.lot_id, first.card, four.card, copy=0.995)
    by_card = {c.card: c for c in cards_of(catalogue, done.lot)}
    assert by_card[four.card].same_card == (first.card,)
    assert by_card[four.card].same_record == ()
    assert {by_card[four.card].original, by_card[first.card].original} == {
        min((four.card, first.card), key=lambda card: int(card.split(".")[0]))
    }


def pair(
    first: str, second: str, pose: float, crop: float | None, caption: float | None, copy: float | None
) -> PairRow:
    return PairRow(first, second, pose, crop, caption, copy)


@pytest.mark.parametrize(
    ("pairs", "families", "same"),
    [
        ([pair("a", "b", 0.9, 0.9, 0.9, 0.1)], "ab c", ""),
        ([pair("a", "b", 0.9, 0.9, None, 0.1)], "ab c", ""),  # words too faint to tell
        ([pair("a", "b", 0.9, 0.9, 0.4, 0.1)], "a b c", ""),  # words told apart, if weakly
        ([pair("a", "b", 0.9, 0.5, 0.9, 0.1)], "a b c", ""),  # nobody can say which window
        ([pair("a", "b", 0.6, 0.9, 0.9, 0.995)], "a b c", ""),
        ([pair("a", "b", 0.9, 0.9, 0.9, 0.995)], "ab c", "ab"),
        ([pair("a", "b", 0.9, 0.9, 0.9, 0.9)], "ab c", ""),  # likely the very card: among many pairs not enough
        ([pair("a", "b", 0.9, 0.6, 0.4, 0.995)], "ab c", "ab"),  # the very card, whatever is faint on it
        ([pair("a", "b", 0.9, 0.9, 0.1, 0.995)], "a b c", ""),  # other words: no card has both
        # a chain is not followed where its ends are told apart
        ([pair("a", "b", 0.9, 0.9, 0.9, 0.1), pair("b", "c", 0.8, 0.8, 0.8, 0.1), pair("a", "c", 0.1, None, None, None)
          ], "ab c", ""),
    ],
)  # fmt: skip
def test_families_and_physical_cards(pairs: list[PairRow], families: str, same: str) -> None:
    kin = group_cards({key: 0.9 - ord(key) / 1000 for key in "abc"}, pairs)
    joined: dict[str, str] = {}
    for key in "abc":
        joined[kin.family[key]] = joined.get(kin.family[key], "") + key
    assert sorted(joined.values()) == families.split()
    assert all(kin.family[key] == members[0] for members in joined.values() for key in members)  # the most legible
    assert kin.same_card == ({key: tuple(same) for key in same})


@pytest.mark.slow
def test_kills_at_random_moments(tmp_path: Path) -> None:
    told = lot_kills.run(tmp_path / "kills", 12, seed=5)
    assert "0 asked twice, 0 lots differ from an undisturbed run, 0 catalogues not clean" in told
