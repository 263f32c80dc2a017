"""XMP sidecars: one picture's cards in; `photo.jpg.xmp` or `photo.xmp` beside it out, merged with what is there.

Dublin Core says who and what (`dc:subject`, `dc:identifier`, `dc:description`), the IPTC Extension who is shown and
where (`PersonInImage`, `ImageRegion`: IPTC Photo Metadata Standard 2021.1, the card's quad as a polygon). What others
wrote is kept, whatever it is; what was written from here before is replaced. The picture itself is never written to.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Literal

from lxml import etree

from matcher.catalogue import Catalogue
from matcher.catalogue.records.files import ANYBODYS, write_whole
from matcher.core.errors import CatalogueError
from matcher.jobs.lot.cards import Card, cards_of
from matcher.jobs.lot.discovery import shown
from matcher.jobs.lot.results import rows_of
from matcher.jobs.lot.store import LotRow

Naming = Literal["full", "stem"]
"""full: photo.jpg.xmp; stem: photo.xmp."""

X = "adobe:ns:meta/"
RDF = "http://www.w3.org/1999/02/22-rdf-syntax-ns#"
DC = "http://purl.org/dc/elements/1.1/"
IPTC = "http://iptc.org/std/Iptc4xmpExt/2008-02-29/"
OWN = "urn:platekin:xmp#"
XML = "http://www.w3.org/XML/1998/namespace"
PREFIXES = {"x": X, "rdf": RDF, "dc": DC, "Iptc4xmpExt": IPTC, "platekin": OWN}
OUR_REGION = "platekin-"
LARGEST = 20_000_000

Element = Any  # lxml's own types are not known to the checker


def sidecar_path(picture: Path, naming: Naming) -> Path:
    """
    >>> sidecar_path(Path("a/b.jpg"), "full").name, sidecar_path(Path("a/b.jpg"), "stem").name
    ('b.jpg.xmp', 'b.xmp')
    """
    return picture.with_name(picture.name + ".xmp") if naming == "full" else picture.with_suffix(".xmp")


def write_sidecar(picture: Path, rows: Sequence[Mapping[str, Any]], size: tuple[int, int], naming: Naming) -> Path:
    """Write or merge the sidecar of one picture. rows: see `results.card_row`; size: of the upright picture, pixels.

    Raises CatalogueError bad_sidecar where what is there is no XMP, bad_target where it cannot be written.
    """
    path = sidecar_path(picture, naming)
    try:
        before = path.read_bytes() if path.exists() else None
    except OSError as error:
        raise _bad_target(path, error) from None
    root = merged(before, rows, size, path)
    data = etree.tostring(root, encoding="utf-8", xml_declaration=True, pretty_print=before is None)
    if data != before:
        try:
            write_whole(path, data, mode=ANYBODYS)
        except OSError as error:
            raise _bad_target(path, error) from None
    return path


def write_sidecars(
    catalogue: Catalogue, lot: LotRow, naming: Naming = "full"
) -> tuple[list[Path], list[CatalogueError]]:
    """The sidecars of all pictures of a lot; those that could not be written are told, and the others go on."""
    pages: dict[Path, list[Card]] = {}
    for card in cards_of(catalogue, lot):
        if card.item.page == 0:  # a region has no page: it lies on the first
            pages.setdefault(card.item.path, []).append(card)
    rows = {row["card"]: row for row in rows_of(catalogue, lot)}
    shared = Counter(sidecar_path(path, naming) for path in pages)
    written: list[Path] = []
    failed: list[CatalogueError] = []
    for path, cards in pages.items():
        try:
            if shared[sidecar_path(path, naming)] > 1:
                told = f"{shown(path)}: another picture of the lot would have the same sidecar"
                raise CatalogueError("bad_sidecar", told, "name them in full: --naming full")
            size = (cards[0].photo.width or 0, cards[0].photo.height or 0)
            written.append(write_sidecar(path, [rows[card.card] for card in cards], size, naming))
        except CatalogueError as error:
            failed.append(error)
    return written, failed


def merged(before: bytes | None, rows: Sequence[Mapping[str, Any]], size: tuple[int, int], path: Path) -> Element:
    """The sidecar's tree: what was there, with these cards in place of those written from here before."""
    tree = etree.ElementTree(_new()) if before is None else _parsed(before, path)
    holder = _holder(tree, path)
    ours_before = _texts(holder, OWN, "keywords")
    ours: list[str] = []
    for space, name, values in ((DC, "subject", _keywords(rows)), (IPTC, "PersonInImage", _people(rows))):
        theirs = _without(_texts(holder, space, name), ours_before)
        new = _without(values, theirs)  # what somebody else has written stays theirs
        _list(holder, space, name, "Bag", theirs + new)
        ours += new
    _list(holder, OWN, "keywords", "Bag", sorted(set(ours)))
    if not _texts(holder, DC, "description") or _texts(holder, OWN, "described") == _texts(holder, DC, "description"):
        told = _description(rows)
        _list(holder, DC, "description", "Alt", [told])
        _list(holder, OWN, "described", "Bag", [told])
    _regions(holder, rows, size)
    return tree


def _new() -> Element:
    root = etree.Element(f"{{{X}}}xmpmeta", nsmap={"x": X})
    rdf = etree.SubElement(root, f"{{{RDF}}}RDF", nsmap={"rdf": RDF})
    own = {name: PREFIXES[name] for name in ("dc", "Iptc4xmpExt", "platekin")}
    etree.SubElement(rdf, f"{{{RDF}}}Description", {f"{{{RDF}}}about": ""}, nsmap=own)
    return root


def _parsed(data: bytes, path: Path) -> Element:
    """Without entities, network or endless depth: a sidecar comes from anywhere."""
    parser = etree.XMLParser(resolve_entities=False, no_network=True, load_dtd=False, huge_tree=False)
    try:
        if len(data) > LARGEST:
            raise ValueError
        return etree.ElementTree(etree.fromstring(data, parser))
    except (etree.XMLSyntaxError, ValueError):
        raise _bad_sidecar(path) from None


def _holder(tree: Element, path: Path) -> Element:
    """The description that our properties go into: the first about the picture itself."""
    rdf = tree.getroot() if tree.getroot().tag == f"{{{RDF}}}RDF" else tree.find(f".//{{{RDF}}}RDF")
    if rdf is None:
        raise _bad_sidecar(path)
    found = rdf.findall(f"{{{RDF}}}Description")
    if found:
        return found[0]
    return etree.SubElement(rdf, f"{{{RDF}}}Description", {f"{{{RDF}}}about": ""})


def _property(holder: Element, space: str, name: str) -> Element | None:
    """The property, in whichever description it stands."""
    for description in holder.getparent().findall(f"{{{RDF}}}Description"):
        found = description.find(f"{{{space}}}{name}")
        if found is not None:
            return found
    return None


def _texts(holder: Element, space: str, name: str) -> list[str]:
    """The values of a list, or of a plain property written as an element or an attribute."""
    found = _property(holder, space, name)
    if found is None:
        plain = [d.get(f"{{{space}}}{name}") for d in holder.getparent().findall(f"{{{RDF}}}Description")]
        return [value for value in plain if value]
    values = [each.text or "" for each in found.iter(f"{{{RDF}}}li")]
    return values or ([found.text.strip()] if found.text and found.text.strip() else [])


def _list(holder: Element, space: str, name: str, kind: str, values: Sequence[str]) -> None:
    """Write a list property anew, in its place; an empty one is left out."""
    found = _property(holder, space, name)
    for description in holder.getparent().findall(f"{{{RDF}}}Description"):
        description.attrib.pop(f"{{{space}}}{name}", None)
    if not values:
        if found is not None:
            found.getparent().remove(found)
        return
    if found is None:
        found = etree.SubElement(holder, f"{{{space}}}{name}", nsmap=_prefix(space))
    kept = [li for li in found.iter(f"{{{RDF}}}li") if li.get(f"{{{XML}}}lang") not in (None, "x-default")]
    found.text = None
    for child in list(found):
        found.remove(child)
    container = etree.SubElement(found, f"{{{RDF}}}{kind}")
    for value in dict.fromkeys(values):
        item = etree.SubElement(container, f"{{{RDF}}}li", {f"{{{XML}}}lang": "x-default"} if kind == "Alt" else {})
        item.text = _legal(value)
    if kind == "Alt":  # other languages are other people's words
        container.extend(kept)


def _regions(holder: Element, rows: Sequence[Mapping[str, Any]], size: tuple[int, int]) -> None:
    """Our regions anew, after those of others."""
    found = _property(holder, IPTC, "ImageRegion")
    if found is None:
        if not rows:
            return
        found = etree.SubElement(holder, f"{{{IPTC}}}ImageRegion", nsmap=_prefix(IPTC))
    bag = next(iter(found), None)
    if bag is None:
        bag = etree.SubElement(found, f"{{{RDF}}}Bag")
    for region in list(bag):
        if any((one.text or "").startswith(OUR_REGION) for one in region.iter(f"{{{IPTC}}}rId")):
            bag.remove(region)
    for row in rows:
        _region(bag, row, size)
    if not len(bag):
        found.getparent().remove(found)


def _region(bag: Element, row: Mapping[str, Any], size: tuple[int, int]) -> None:
    region = _struct(bag, f"{{{RDF}}}li")
    boundary = _struct(region, f"{{{IPTC}}}RegionBoundary")
    _text(boundary, f"{{{IPTC}}}rbShape", "polygon")
    _text(boundary, f"{{{IPTC}}}rbUnit", "relative")
    corners = etree.SubElement(etree.SubElement(boundary, f"{{{IPTC}}}rbVertices"), f"{{{RDF}}}Seq")
    for corner in str(row["quad"]).split(" "):
        x, y = (float(value) for value in corner.split(","))
        point = _struct(corners, f"{{{RDF}}}li")
        _text(point, f"{{{IPTC}}}rbX", f"{min(max(x / size[0], 0.0), 1.0):.5f}")
        _text(point, f"{{{IPTC}}}rbY", f"{min(max(y / size[1], 0.0), 1.0):.5f}")
    _text(region, f"{{{IPTC}}}rId", f"{OUR_REGION}{row['lot']}-{row['card']}")
    name = etree.SubElement(etree.SubElement(region, f"{{{IPTC}}}Name"), f"{{{RDF}}}Alt")
    item = etree.SubElement(name, f"{{{RDF}}}li", {f"{{{XML}}}lang": "x-default"})
    item.text = _legal(_words(row))
    if row["tag"]:
        bag_of_ids = etree.SubElement(etree.SubElement(region, f"{{{DC}}}identifier"), f"{{{RDF}}}Bag")
        etree.SubElement(bag_of_ids, f"{{{RDF}}}li").text = _legal(str(row["tag"]))


def _words(row: Mapping[str, Any]) -> str:
    """A card in a few words: tag and caption, or what is known of it."""
    if row["side"] == "back":
        return f"card {row['card']}: a back"
    tag = row["tag"] or str(row["outcome"]).replace("_", " ")
    told = [tag, *(row[name] for name in ("subject", "caption") if row[name])]
    return f"card {row['card']}: {', '.join(map(str, told))}"


def _description(rows: Sequence[Mapping[str, Any]]) -> str:
    return "; ".join(_words(row) for row in rows)


def _people(rows: Sequence[Mapping[str, Any]]) -> list[str]:
    return list(dict.fromkeys(str(row["subject"]) for row in rows if row["subject"]))


def _keywords(rows: Sequence[Mapping[str, Any]]) -> list[str]:
    """Subject, club and record of every card that has a tag."""
    words = [row[name] for row in rows for name in ("subject", "club", "tag") if row["tag"] and row[name]]
    return list(dict.fromkeys(map(str, words)))


def _without(values: Sequence[str], gone: Sequence[str]) -> list[str]:
    return [value for value in values if value not in gone]


def _struct(parent: Element, tag: str) -> Element:
    return etree.SubElement(parent, tag, {f"{{{RDF}}}parseType": "Resource"})


def _text(parent: Element, tag: str, text: str) -> None:
    etree.SubElement(parent, tag).text = text


def _legal(text: str) -> str:
    """XML 1.0 knows no control characters but tab, line feed and carriage return."""
    surrogates, never = range(0xD800, 0xE000), (0xFFFE, 0xFFFF)
    codes = ((c, ord(c)) for c in text)
    return "".join(c for c, n in codes if c in "\t\n\r" or (n >= 32 and n not in surrogates and n not in never))


def _prefix(space: str) -> dict[str, str]:
    return {name: value for name, value in PREFIXES.items() if value == space}


def _bad_sidecar(path: Path) -> CatalogueError:
    told = f"{shown(path)}: is there, but cannot be read as XMP; it was left untouched"
    return CatalogueError("bad_sidecar", told, "correct or remove it, or use the other way of naming sidecars")


def _bad_target(path: Path, error: OSError) -> CatalogueError:
    return CatalogueError("bad_target", f"{shown(path)}: {error.strerror}", "make room, or make the folder writable")
