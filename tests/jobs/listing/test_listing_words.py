"""Reading a listing: distances and Unicode forms against the world outside, then claims, case by case."""

from __future__ import annotations

import unicodedata
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rapidfuzz.distance import OSA, DamerauLevenshtein, Jaro, JaroWinkler, Levenshtein

from matcher.catalogue import RecordRow
from matcher.catalogue.records.name_search import plain
from matcher.core.errors import BadListing, CatalogueError
from matcher.jobs.listing.carriers import Claim, ListingReading
from matcher.jobs.listing.claims import Reader
from matcher.jobs.listing.measures import sizes, years
from matcher.jobs.listing.text import MOST_BYTES, words_of
from matcher.jobs.listing.vocabulary import Vocabulary

# Distances: worked examples of the literature, here from memory.


@pytest.mark.parametrize(
    ("one", "other", "distance"),
    [
        ("kitten", "sitting", 3),  # the usual example of Levenshtein (1966)
        ("saturday", "sunday", 3),
        ("", "abc", 3),
    ],
)
def test_levenshtein_as_in_the_textbooks(one: str, other: str, distance: int) -> None:
    assert Levenshtein.distance(one, other) == distance


def test_swapped_letters_cost_one_and_what_osa_may_not_touch_twice() -> None:
    """'CA' to 'ABC': 2 by Damerau (1964) in full, 3 by optimal string alignment (Boytsov 2011, section 2.2)."""
    assert Levenshtein.distance("ab", "ba") == 2
    assert OSA.distance("ab", "ba") == DamerauLevenshtein.distance("ab", "ba") == 1
    assert (OSA.distance("CA", "ABC"), DamerauLevenshtein.distance("CA", "ABC")) == (3, 2)


@pytest.mark.parametrize(
    ("one", "other", "jaro", "winkler"),
    [("MARTHA", "MARHTA", 0.944, 0.961), ("DIXON", "DICKSONX", 0.767, 0.813), ("DWAYNE", "DUANE", 0.822, 0.840)],
)
def test_jaro_winkler_as_winkler_gives_it(one: str, other: str, jaro: float, winkler: float) -> None:
    """Winkler (1990), table of string comparator values."""
    assert round(Jaro.similarity(one, other), 3) == jaro
    assert round(JaroWinkler.similarity(one, other), 3) == winkler


# Unicode normalisation: figures 3 to 6 of Unicode Standard Annex #15, from memory.

FORMS = [
    ("\u212b", "\u00c5", "A\u030a"),  # figure 3, singletons
    ("\u2126", "\u03a9", "\u03a9"),
    ("\u00f4", "\u00f4", "o\u0302"),  # figure 4, canonical composites
    ("\u1e69", "\u1e69", "s\u0323\u0307"),  # figure 5, several combining marks
    ("\u1e0b\u0323", "\u1e0d\u0307", "d\u0323\u0307"),
    ("q\u0307\u0323", "q\u0323\u0307", "q\u0323\u0307"),
]
COMPATIBLE = [
    ("\ufb01", "fi", "fi"),  # figure 6
    ("2\u2075", "25", "25"),
    ("\u1e9b\u0323", "\u1e69", "s\u0323\u0307"),
]


@pytest.mark.parametrize(("source", "nfc", "nfd"), FORMS)
def test_canonical_forms(source: str, nfc: str, nfd: str) -> None:
    assert (unicodedata.normalize("NFC", source), unicodedata.normalize("NFD", source)) == (nfc, nfd)
    assert plain(source) == plain(nfc) == plain(nfd)


@pytest.mark.parametrize(("source", "nfkc", "nfkd"), COMPATIBLE)
def test_compatible_forms(source: str, nfkc: str, nfkd: str) -> None:
    assert (unicodedata.normalize("NFKC", source), unicodedata.normalize("NFKD", source)) == (nfkc, nfkd)
    assert plain(source) == plain(nfkc)


@given(st.text(max_size=60).filter(str.strip))
def test_words_stand_where_they_say(text: str) -> None:
    for form in (text, unicodedata.normalize("NFD", text)):
        for word in words_of(form) if form.strip() else ():
            assert plain(form[word.start : word.end]).replace(" ", "") == word.plain


# Claims


def record(number: int, subject: str, pose: str, caption: str, described: str, crop: str, **more: str) -> RecordRow:
    extra = {"pose_description": described, "crop_description": crop}
    return RecordRow(f"V{number:03d}", subject, pose, "A", caption, extra=extra, **more)


RECORDS = (
    record(1, "Arturo Brellby", "P001", "Arturo Brellby", "standing; with oar", "full length", club="Quay Rowers"),
    record(2, "Arturo Brellby", "P002", "Arturo Brelby", "seated, lantern at feet", "bust", club="Quay Rowers"),
    record(3, "Zoë Ondarre", "P003", "Z. Ondarre", "arms folded", "full length", issuer="Fern Cocoa, Tessaly"),
    record(4, "J. Pinnock", "P004", "J. Pinnock", "sitting", "bust", club="Tessaly R. C."),
)


@pytest.fixture(scope="module")
def reader() -> Reader:
    vocabulary = Vocabulary.shipped().described_by(RECORDS)
    return Reader(vocabulary, RECORDS, {"Arturo Brellby": ["Artur Brellbey"]})


def read(reader: Reader, text: str) -> list[tuple[str, str]]:
    return [(claim.kind, ("not " if claim.negated else "") + claim.value) for claim in reader.read(text).claims]


@pytest.mark.parametrize(
    ("text", "claims"),
    [
        ("Arturo Brellby", [("subject", "Arturo Brellby")]),
        ("BRELLBY, ARTURO", [("subject", "Arturo Brellby")]),
        ("card of A. Brelby", [("subject", "Arturo Brellby")]),  # an initial, and a caption's spelling
        ("artur brellbey", [("subject", "Arturo Brellby")]),  # a known spelling
        ("Ondarre in folded arms", [("subject", "Zoë Ondarre"), ("pose", "arms folded")]),
        ("Zoe\u0308 Ondarre", [("subject", "Zoë Ondarre")]),  # decomposed
        ("Ｏｎｄａｒｒｅ", [("subject", "Zoë Ondarre")]),  # full-width letters
        ("Arturo Brelbly with an oar", [("subject", "Arturo Brellby"), ("pose", "with oar")]),  # misspelt
        ("w/ oar, stnading", [("pose", "with oar"), ("pose", "standing")]),
        ("lantern at his feet", [("pose", "lantern at feet")]),  # only the catalogue says so
        ("Tessaly R.C.", [("club", "Tessaly R. C.")]),
        ("Fern Cocoa card", [("issuer", "Fern Cocoa, Tessaly")]),
        ("full-length view", [("crop", "full length")]),
        ("no creases, stains or tears", [("condition", "not creased"), ("condition", "not stained"),
                                         ("condition", "not torn")]),
        ("no creases, slight fading", [("condition", "not creased"), ("condition", "faded")]),
        ("not trimmed but faded", [("condition", "not trimmed"), ("condition", "faded")]),
        ("rebacked", [("condition", "rebacked")]),
        ("unrecorded", [("unlisted", "unlisted variation")]),
        ("See my other listings for Ondarre with oar. Faded.", [("condition", "faded")]),
        ("<b>faded</b><script>var trimmed = 1</script>", [("condition", "faded")]),
        ("https://example.org/oar/seated", []),
        ("a pair of cards", [("count", "2")]),
        ("Cabinet card, 108 x 165 mm", [("size", "108.0 x 165.0 mm")]),  # the same, said twice
        ("4 1/4 by 6 1/2 inches, faded, a cabinet photo", [("size", "107.9 x 165.1 mm"), ("condition", "faded")]),
        ("Cabinet card, 54 x 92 mm", [("size", "cabinet card"), ("size", "54.0 x 92.0 mm")]),
        ("no cabinet card, 108 x 165 mm", [("size", "not cabinet card"), ("size", "108.0 x 165.0 mm")]),
        ("a cdv, no cabinet photograph", [("size", "carte de visite"), ("size", "not cabinet card")]),
        ("kept in a cabinet", []),
        ("one of two cards known", []),
        ("lot no. 1887, £1888", []),
        ("карта старая, 写真", []),
        ("not Pinnock", [("subject", "not J. Pinnock")]),
    ],
)  # fmt: skip
def test_claims(reader: Reader, text: str, claims: list[tuple[str, str]]) -> None:
    assert read(reader, text) == claims


def test_a_size_said_twice_stands_in_both_places(reader: Reader) -> None:
    text = "Cabinet card, from an album, 108 x 165 mm"
    found = claim(reader.read(text), "size")
    assert [text[start:end] for start, end in found.spans] == ["Cabinet card", "108 x 165 mm"]
    assert found.words == "Cabinet card, 108 x 165 mm"
    assert found.numbers == {"width_mm": 108.0, "height_mm": 165.0}


def claim(reading: ListingReading, kind: str) -> Claim:
    (found,) = [one for one in reading.claims if one.kind == kind]
    return found


@pytest.mark.parametrize(
    "text", ["caption reads 'Arturo Brelby'", 'spelt "Arturo Brelby"', "the 'Arturo Brelby' spelling"]
)
def test_a_caption_is_read_to_the_letter(reader: Reader, text: str) -> None:
    reading = reader.read(text)
    assert claim(reading, "caption").value == "Arturo Brelby"
    assert claim(reading, "subject").value == "Arturo Brellby"


def test_a_claim_rests_on_its_words_and_the_rest_stays_unread(reader: Reader) -> None:
    text = "Brellby card, curious watermark. Faded; faded again."
    reading = reader.read(text)
    assert [text[slice(*span)] for span in claim(reading, "condition").spans] == ["Faded", "faded"]
    assert "curious watermark" in [one.words for one in reading.unread]


def test_another_first_name_makes_the_reading_unsure(reader: Reader) -> None:
    assert "first name" in claim(reader.read("card of Quentin Brellby"), "subject").unsure


def test_two_sitters_that_fit_alike_are_both_told() -> None:
    twins = [
        record(k, f"{first} Tolvane", f"P{k}", f"{first} Tolvane", "", "") for k, first in ((1, "Ada"), (2, "Ben"))
    ]
    told = claim(Reader(Vocabulary.shipped(), twins).read("a card of Tolvane"), "subject")
    assert {told.value, *told.others} == {"Ada Tolvane", "Ben Tolvane"}


@pytest.mark.parametrize(
    ("text", "width", "height"),
    [
        ("1 7/16 x 2 1/2 in", 36.5, 63.5),  # the common card, exact by 25.4 mm to the inch
        ('2-1/2" by 1-7/16"', 36.5, 63.5),
        ("3.65 × 6.35 cm", 36.5, 63.5),
        ("36,5x63,5mm", 36.5, 63.5),
        ("1½ x 2½ inches", 38.1, 63.5),
    ],
)
def test_sizes(text: str, width: float, height: float) -> None:
    ((_, found),) = sizes(text)
    assert (found["width_mm"], found["height_mm"]) == pytest.approx((width, height), abs=0.05)


@pytest.mark.parametrize(
    ("text", "found"),
    [("1887", (1887, 1887, 0)), ("c.1887", (1887, 1887, 1)), ("1880s", (1880, 1889, 0)), ("1886-90", (1886, 1890, 0))],
)
def test_years(text: str, found: tuple[int, int, int]) -> None:
    assert [tuple(numbers.values()) for _, numbers in years(text)] == [found]


@pytest.mark.parametrize(
    ("text", "code"), [("", "empty_text"), (" \n", "empty_text"), ("é" * MOST_BYTES, "text_too_large")]
)
def test_texts_that_are_refused(reader: Reader, text: str, code: str) -> None:
    with pytest.raises(BadListing) as raised:
        reader.read(text)
    assert raised.value.code == code
    assert raised.value.remedy


def test_a_long_text_of_any_kind_is_read_to_its_end(reader: Reader) -> None:
    text = "<" * 3000 + " faded " + "'" * 3000 + "lorem ipsum brellby " * 500
    assert ("condition", "faded") in read(reader, text)


@given(st.text(min_size=1, max_size=300).filter(str.strip))
def test_nothing_that_is_written_stops_the_reader(text: str) -> None:
    reading = _READER.read(text)
    assert all(0 <= s < e <= len(text) for one in reading.claims for s, e in one.spans)


_READER = Reader(Vocabulary.shipped().described_by(RECORDS), RECORDS)


# The vocabulary


def test_a_catalogue_adds_its_own_words(tmp_path: Path) -> None:
    own = tmp_path / "vocabulary.json"
    own.write_text('{"pose": {"": {"with trident": ["trident", "fork"]}}, "poses": {"P001": "with trident"}}')
    reader = Reader(Vocabulary.of(tmp_path, RECORDS), RECORDS)
    assert read(reader, "holds a fork") == [("pose", "with trident")]
    assert reader.poses["P001"].terms == {"standing", "with oar", "with trident"}


@pytest.mark.parametrize(
    ("written", "told"),
    [("{", "cannot be read"), ("[]", "one object"), ('{"posen": {}}', "'posen'"),
     ('{"pose": {"": {"a": "b"}}}', "pose//a"), ('{"poses": {"P1": ""}}', "poses/P1"),
     ('{"crops": {"P1": "full"}}', "crops/P1"),
     ('{"size": {"": {"huge": ["huge"]}}}', "size/: the format 'huge' is no format")],
)  # fmt: skip
def test_a_bad_vocabulary_is_told_with_its_place(tmp_path: Path, written: str, told: str) -> None:
    (tmp_path / "vocabulary.json").write_text(written)
    with pytest.raises(CatalogueError, match=told) as raised:
        Vocabulary.of(tmp_path, RECORDS)
    assert raised.value.code == "bad_vocabulary"


def test_a_description_says_what_its_words_mean(reader: Reader) -> None:
    assert reader.poses["P004"].terms == {"seated"}
    assert reader.poses["P002"].terms == {"seated", "lantern at feet"}
    assert reader.group("pose", "seated") == reader.group("pose", "standing") == "stance"


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("VG-EX w/ lt crease and a pinhole", {("condition", "creased"), ("condition", "pinholes")}),
        ("HTF orig. var., rev. blank, sepia", set()),
        ("toned, tape residue, damage to rev.", {("condition", n) for n in ("toned", "stained", "back damage")}),
        ("oar over knees", {("pose", "with oar")}),
        ("Lot of 2", {("count", "2")}),
        ("lot 2", set()),
        ("Tessaly Rowing Club", {("club", "Tessaly R. C.")}),
        ("Tessaly R.C.", {("club", "Tessaly R. C.")}),
    ],
)
def test_abbreviations_of_the_trade(reader: Reader, text: str, wanted: set[tuple[str, str]]) -> None:
    assert {(claim.kind, claim.value) for claim in reader.read(text).claims} == wanted


def test_grades_are_quoted_and_claim_nothing(reader: Reader) -> None:
    reading = reader.read("G/VG, EX-MT at least. P. Ondarre")
    assert [one.words for one in reading.unread if "opinion" in one.why] == ["G/VG", "EX-MT"]
    assert not [claim for claim in reading.claims if claim.kind == "condition"]


def test_what_no_picture_can_tell_is_quoted_with_the_reason_and_claims_nothing(reader: Reader) -> None:
    reading = reader.read("Guaranteed genuine, very rare! P. Ondarre, faded. See my other original cards.")
    told = {one.words.lower(): one.why for one in reading.unread}
    assert "no picture can bear it out" in told["guaranteed genuine"]
    assert "what its owner has seen" in told["rare"]
    assert "original" not in told  # said of other things
    assert {one.kind for one in reading.claims} == {"subject", "condition"}


@pytest.mark.parametrize("said", ["lantern held low", "holding a lantern low", "holds lantern low", "low held lantern"])
def test_a_thing_is_held_in_whatever_form_of_the_verb(said: str) -> None:
    words = Vocabulary.shipped().with_more({"poses": {"P001": "lantern held low"}}, Path("words.json"))
    read = Reader(words, RECORDS).read(f"Arturo Brellby, {said}")
    assert [claim.value for claim in read.claims if claim.kind == "pose"] == ["lantern held low"]
