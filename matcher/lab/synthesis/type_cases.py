"""Which typefaces and hands lettering is drawn in, and what each may serve for: a folder of Debian's font packages in.

No design is both fitted on and reported on. `scripts/fetch_type` unpacks the packages into a folder, without
installing them; their licences come with them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal
from zlib import crc32

from matcher.core.errors import BadTable

Lettering = Literal["book", "display", "hand"]
TypeRole = Literal["fit", "report"]

LETTERINGS: tuple[Lettering, ...] = ("book", "display", "hand")


@dataclass(frozen=True)
class Typeface:
    """One typeface or hand. path: of its file; empty for Pillow's own."""

    path: str
    lettering: Lettering

    @property
    def name(self) -> str:
        return Path(self.path).stem


CASES: dict[TypeRole, dict[Lettering, dict[str, str]]] = {
    "fit": {
        "book": {
            "AccanthisADFStd-Regular.otf": "fonts-adf-accanthis",
            "BerenisADFPro-Regular.otf": "fonts-adf-berenis",
            "C059-Roman.otf": "fonts-urw-base35",
            "Caladea-Regular.ttf": "fonts-crosextra-caladea",
            "CaslonRoman.ttf": "fonts-georgewilliams",
            "EBGaramond12-Italic.otf": "fonts-ebgaramond",
            "EBGaramond12-Regular.otf": "fonts-ebgaramond",
            "Fanwood.otf": "fonts-fanwood",
            "GenBasR.ttf": "fonts-sil-gentium-basic",
            "GilliusADF-Regular.otf": "fonts-adf-gillius",
            "JunicodeTwoBeta-Regular.otf": "fonts-junicode",
            "LinLibertine_R.otf": "fonts-linuxlibertine",
            "RomandeADFStd-Regular.otf": "fonts-adf-romande",
            "TribunADFStd-Regular.otf": "fonts-adf-tribun",
            "UniversalisADFStd-Regular.otf": "fonts-adf-universalis",
            "Vollkorn-Regular.ttf": "fonts-vollkorn",
            "texgyrebonum-regular.otf": "fonts-texgyre",
        },
        "display": {
            "BebasNeue-Regular.otf": "fonts-bebas-neue",
            "IkariusADFStd-Regular.otf": "fonts-adf-ikarius",
            "Jessen-Mittel14.otf": "fonts-gotico-antiqua",
            "Klaudia.ttf": "fonts-klaudia-berenika",
            "LeagueSpartan-Bold.otf": "fonts-league-spartan",
            "MekanusADFStd-Regular.otf": "fonts-adf-mekanus",
            "OldaniaADFStd-Regular.otf": "fonts-adf-oldania",
            "Unxgala.ttf": "fonts-blankenburg",
            "YanoneKaffeesatz-Regular.otf": "fonts-yanone-kaffeesatz",
            "lobster.otf": "fonts-lobster",
            "texgyreadventor-bold.otf": "fonts-texgyre",
        },
        "hand": {
            "Breip.ttf": "fonts-breip",
            "DancingScript-Regular.otf": "fonts-dancingscript",
            "Delphine.ttf": "fonts-sjfonts",
            "El_Abogado_Loco.ttf": "fonts-dustin",
            "Kristi.ttf": "fonts-kristi",
            "RomandeADFScriptStd-Italic.otf": "fonts-adf-romande",
            "Rufscript010.ttf": "fonts-rufscript",
            "SteveHand.ttf": "fonts-sjfonts",
            "femkeklaver.ttf": "fonts-femkeklaver",
            "madscrwl.ttf": "fonts-aenigma",
            "rambling.ttf": "fonts-aenigma",
            "texgyrechorus-mediumitalic.otf": "fonts-texgyre",
        },
    },
    "report": {
        "book": {
            "Arapey-Regular.otf": "fonts-arapey",
            "BaskervaldADFStd.otf": "fonts-adf-baskervald",
            "Cardo104s.ttf": "fonts-cardo",
            "ElstobD-Regular.otf": "fonts-elstob",
            "Essays1743.ttf": "fonts-essays1743",
            "GFSDidot.otf": "fonts-gfs-didot",
            "GoudyBookletter1911.otf": "fonts-goudybookletter",
            "IrianisADFStd-Regular.otf": "fonts-adf-irianis",
            "LibrisADFStd-Regular.otf": "fonts-adf-libris",
            "LindenHill.otf": "fonts-lindenhill",
            "Prociono.otf": "fonts-prociono",
            "Quattrocento-Regular.otf": "fonts-quattrocento",
        },
        "display": {
            "Isabella.ttf": "fonts-isabella",
            "LeckerliOne-Regular.ttf": "fonts-leckerli-one",
            "RadisSans-medium.otf": "fonts-radisnoir",
            "Solothurn-Bold.otf": "fonts-adf-solothurn",
            "le-murmure.otf": "fonts-le-murmure",
            "okolaksRegular.ttf": "fonts-okolaks",
        },
        "hand": {
            "ComicNeue-Italic.otf": "fonts-comic-neue",
            "Domestic_Manners.ttf": "fonts-dustin",
            "Havana-Regular.otf": "fonts-havana",
            "Humor-Sans.ttf": "fonts-humor-sans",
            "Joscelyn-Regular.otf": "fonts-joscelyn",
            "KaushanScript-Regular.otf": "fonts-kaushanscript",
            "TomsonTalks.ttf": "fonts-tomsontalks",
            "dkg.ttf": "fonts-dkg-handwriting",
            "jmacscrl.ttf": "fonts-aenigma",
        },
    },
}
"""By role and kind: the file of each design, and the package it comes in."""


def lacking(folder: Path) -> list[str]:
    """The packages that have a design which the folder does not hold yet."""
    there = {path.name for path in folder.rglob("*")} if folder.is_dir() else set()
    wanted = {file: package for kinds in CASES.values() for files in kinds.values() for file, package in files.items()}
    return sorted({package for file, package in wanted.items() if file not in there})


def typefaces(folder: Path, role: TypeRole) -> tuple[Typeface, ...]:
    """The designs of one role, from the folder where their packages were unpacked. Raises BadTable bad_evaluation."""
    there = {path.name: path for path in folder.rglob("*") if path.suffix.lower() in (".ttf", ".otf")}
    wanted = [(file, kind) for kind, files in CASES[role].items() for file in files]
    missing = [file for file, _ in wanted if file not in there]
    if missing:
        why = f"{folder}: {len(missing)} of {len(wanted)} typefaces are missing, {missing[0]} among them"
        raise BadTable("bad_evaluation", why, "fetch them: scripts/fetch_type FOLDER")
    return tuple(Typeface(str(there[file]), kind) for file, kind in wanted)


def dealt(types: Sequence[Typeface], hand: Literal[0, 1]) -> tuple[Typeface, ...]:
    """Half of the designs, by their files' names: the network of letters is trained on hand 1, and what it is worth is
    fitted on hand 0."""
    return tuple(one for one in types if crc32(Path(one.path).name.encode()) % 2 == hand)
