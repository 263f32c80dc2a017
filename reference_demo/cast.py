"""Who is on the demo's cards: invented sitters, their clubs and the negatives that show them. Tables only.

Nobody and nothing here exists: names and clubs were made up for this project.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

NEGATIVES = Path(__file__).with_name("negatives")


@dataclass(frozen=True)
class Sitter:
    """One invented person.

    names: as printed: the usual form, one a single letter away, one two letters away.
    clubs: the usual one, and another.
    """

    letter: str
    names: tuple[str, str, str]
    clubs: tuple[str, str]


@dataclass(frozen=True)
class Plate:
    """One negative.

    twin_of:  another exposure of the same sitter, nearly identical: a hand, the head or the face has moved.
    scene_of: a negative of another sitter before exactly the same backdrop and prop.
    """

    name: str
    twin_of: str = ""
    scene_of: str = ""

    @property
    def sitter(self) -> str:
        return self.name[0]

    @property
    def path(self) -> Path:
        return NEGATIVES / f"{self.name}.jpg"


_SITTERS = (
    Sitter(
        "A",
        ("Oscar Dunnelby", "Oscar Dunelby", "Oskar Dunelby"),
        ("Gannock Bar R. C.", "Tessaly Shore R. C."),
    ),
    Sitter("B", ("T. Varrowick", "T. Varowick", "T. Verowick"), ("Tessaly Shore R. C.", "Pellow Sound R. C.")),
    Sitter("C", ("Sim Wexcombe", "Sim Wexcomb", "Sim Wexkomb"), ("Sallow Wheelers", "Larkmere Wheelers")),
    Sitter(
        "D",
        ("Capt. J. Harlesk", "Capt. J. Harlesck", "Capt. I. Harlisk"),
        ("Sallow Wheelers", "Nether Quay Wheelers"),
    ),
    Sitter(
        "E",
        ("M. Ostrevane", "M. Ostrevan", "N. Ostravane"),
        ("Port Tessaly Fencing Rooms", "Skerrin Hall Foils"),
    ),
    Sitter("F", ("Edw. Corvane", "Edw. Corvaine", "Edm. Corvanne"), ("Catch Wrestler", "Gannock Bar Ring")),
    Sitter("G", ("H. Mulgrith", "H. Mulgreth", "K. Mullgrith"), ("Quay Haulers, No. 7", "Nether Quay Haulers")),
    Sitter("H", ("L. Pimsey", "L. Pimsy", "L. Pymsy"), ("Brindle Mere Skaters", "Brindle Mere Cadets")),
    Sitter("I", ("J. Ondaway", "J. Ondoway", "I. Ondawey"), ("Gannock Bar R. C.", "Pellow Sound R. C.")),
    Sitter(
        "J",
        ("Aug. Relvane", "Aug. Relvayne", "Ang. Rellvane"),
        ("Skerrin Hall Foils", "Port Tessaly Fencing Rooms"),
    ),
    Sitter("K", ("Wm. Tollabar", "Wm. Tolabar", "Wm. Tollebor"), ("Pellow Sound R. C.", "Tessaly Shore R. C.")),
    Sitter(
        "L",
        ("Lemuel Ashkendor", "Lemuel Ashkender", "Lemual Ashkandor"),
        ("Larkmere Wheelers", "Sallow Wheelers"),
    ),
    Sitter("M", ("Young Bastrone", "Young Bastron", "Young Bestron"), ("Catch Wrestler", "Skerrin Ring")),
    Sitter("N", ("Nat. Orrowby", "Nat. Orroby", "Nat. Orowbey"), ("Nether Quay Haulers", "Quay Haulers, No. 2")),
    Sitter("O", ("P. Threllick", "P. Threlick", "P. Threllyk"), ("Umpire, Brindle Mere", "Brindle Mere Skaters")),
    Sitter("P", ("Jos. Hathrowe", "Jos. Hathrow", "Jas. Hathrow"), ("Pellow Harriers", "Sallow Harriers")),
    Sitter("Q", ("R. Eskolme", "R. Escolme", "R. Eskholm"), ("Sallow Bowling Green", "Brindle Mere Bowlers")),
)
SITTERS = {sitter.letter: sitter for sitter in _SITTERS}

_TWINS = {
    "A4": "A1",
    "B3": "B1",
    "D3": "D2",
    "E4": "E2",
    "F4": "F2",
    "G3": "G2",
    "H3": "H1",
    "I3": "I2",
    "J3": "J2",
    "Q3": "Q1",
}
_SAME_SCENES = {"D1": "C1", "K1": "I1", "L1": "C2", "M1": "F1", "N1": "G2", "O1": "H1"}
_NUMBERS = {
    "A": 4,
    "B": 3,
    "C": 3,
    "D": 3,
    "E": 4,
    "F": 4,
    "G": 3,
    "H": 3,
    "I": 3,
    "J": 3,
    "K": 3,
    "L": 3,
    "M": 3,
    "N": 2,
    "O": 2,
    "P": 2,
    "Q": 3,
}

PLATES = {
    name: Plate(name, _TWINS.get(name, ""), _SAME_SCENES.get(name, ""))
    for name in (f"{letter}{number}" for letter, count in _NUMBERS.items() for number in range(1, count + 1))
}

LEFT_OUT_SITTERS = ("O", "P")
"""In no record: O1 stands before H1's backdrop, so one of them is a hard case."""

LEFT_OUT_PLATES = ("C3", "E4", "F3", "J3", "Q3")
"""In no record, though their sitters are: E4, J3 and Q3 are twins of enrolled negatives."""

ENROLLED = tuple(
    name for name, plate in PLATES.items() if name not in LEFT_OUT_PLATES and plate.sitter not in LEFT_OUT_SITTERS
)
POSES = {name: f"P{number:04d}" for number, name in enumerate(ENROLLED, start=1)}


def twin(name: str) -> str:
    """The enrolled near-identical twin of a negative, or nothing."""
    twins = [other for other, plate in PLATES.items() if plate.twin_of == name] + [PLATES[name].twin_of]
    return next((other for other in twins if other in POSES), "")
