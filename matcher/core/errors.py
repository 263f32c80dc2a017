"""Every error this package raises on purpose: one tree of classes, and one table of what each code means.

    PlatekinError
    ├── UnreadablePhoto     one picture cannot be used; the others go on
    ├── BadTable            a CSV of records cannot be used, or one of its rows
    ├── BadListing          a sale listing's text, or its table, cannot be used
    ├── CatalogueError      the catalogue cannot be opened, read or written
    └── Busy                the service has more work than it may queue

Each carries a stable `code` (for programs), a `message` that says what is wrong and where, and a
`remedy` that says what to do. A stage that merely finds nothing does not raise: it returns a falsy
value with a reason.

A new error is a new row of `KINDS`: its exit code on the command line and its HTTP status follow from that row.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass


@dataclass(frozen=True)
class ErrorKind:
    """What the edges make of a code.

    status: over HTTP. title, advice: the words there, since a message may name folders of this machine.
    retry_after: seconds after which it is worth trying again. wrong_call: the command line ends with 2 and not 1.
    public: the message names nothing but what the client asked about, so it is passed on over HTTP.
    """

    status: int
    title: str
    advice: str
    retry_after: int | None = None
    wrong_call: bool = False
    public: bool = False


class PlatekinError(Exception):
    """Base of all deliberate errors.

    >>> str(PlatekinError("no_card", "a.jpg: no card found", "photograph the card on a plain table"))
    'a.jpg: no card found (photograph the card on a plain table)'
    """

    def __init__(self, code: str, message: str, remedy: str = "") -> None:
        super().__init__(code, message, remedy)
        self.code = code
        self.message = message
        self.remedy = remedy

    def __str__(self) -> str:
        return f"{self.message} ({self.remedy})" if self.remedy else self.message

    @property
    def kind(self) -> ErrorKind:
        """The code's row of `KINDS`; a code without one is as `unexpected` as it can be."""
        return KINDS.get(self.code, KINDS["unexpected"])


class UnreadablePhoto(PlatekinError):
    """One picture file cannot be used."""


class BadTable(PlatekinError):
    """A table of records, or one row of it, cannot be used."""


class BadListing(PlatekinError):
    """A sale listing, or a table of them, cannot be used."""


class CatalogueError(PlatekinError):
    """The catalogue folder or its database cannot be used as asked."""


class Busy(PlatekinError):
    """The queue of the service is full; ask again later."""


KINDS: Mapping[str, ErrorKind] = {
    # the photo
    "empty_file": ErrorKind(422, "The photo is empty", "Copy or download it again."),
    "not_an_image": ErrorKind(415, "Unsupported picture format", "Send a JPEG, PNG, TIFF, WebP, BMP or GIF."),
    "truncated": ErrorKind(422, "The picture file is incomplete", "Copy it again from where it came from."),
    "too_many_pixels": ErrorKind(413, "The picture has too many pixels", "Scan at 300 to 600 dpi, or save it smaller."),
    "file_too_large": ErrorKind(413, "The photo's file is too large", "Save it as a JPEG at quality 90."),
    "too_much_memory": ErrorKind(413, "The picture needs too much memory", "Save it smaller, as a JPEG."),
    "too_small": ErrorKind(422, "The picture is too small", "Send the original photograph, not a thumbnail."),
    "animated": ErrorKind(415, "The picture is an animation", "Save one frame of it as a JPEG or PNG."),
    "no_card": ErrorKind(422, "No card was found", "Show all four edges, on a ground that differs from the card."),
    "bad_outline": ErrorKind(
        422, "The outline cannot be a card's", "Give four corners round the card, inside the photo."
    ),
    "missing_file": ErrorKind(422, "A file is missing", "Check its name.", wrong_call=True),
    "changed": ErrorKind(409, "A file was changed while it was being read", "Try again."),
    # listings
    "empty_text": ErrorKind(422, "The listing's text is empty", "Send its title and description.", wrong_call=True),
    "text_too_large": ErrorKind(
        413, "The listing's text is too large", "Send its title and description alone.", wrong_call=True
    ),
    "no_photo": ErrorKind(422, "The listing has no picture", "Send at least one file called photo.", wrong_call=True),
    "too_many_photos": ErrorKind(422, "The listing has too many pictures", "Leave some out.", wrong_call=True),
    "bad_vocabulary": ErrorKind(
        500, "The catalogue's vocabulary cannot be read", "The service's owner has to correct it.", wrong_call=True
    ),
    "bad_results": ErrorKind(422, "The file does not hold results of listings", "Name another.", wrong_call=True),
    # tables of records
    "not_a_table": ErrorKind(
        422, "The spreadsheet cannot be read", "Save it as XLSX, ODS or CSV, without a password.", wrong_call=True
    ),
    "not_csv": ErrorKind(422, "The table is not CSV", "Look for a quotation mark that is not closed.", wrong_call=True),
    "not_utf8": ErrorKind(422, "The text is in no known encoding", "Save it in UTF-8.", wrong_call=True),
    "empty_table": ErrorKind(422, "The table has no rows", "Add one row per image.", wrong_call=True),
    "missing_column": ErrorKind(422, "The table lacks a column", "Add it.", wrong_call=True),
    "duplicate_column": ErrorKind(422, "Two columns have one name", "Rename one of them.", wrong_call=True),
    "odd_text": ErrorKind(422, "A text cannot be shown", "Type it anew, without control characters.", wrong_call=True),
    "extra_cells": ErrorKind(422, "A row has more cells than the header", "Put texts with commas in quotation marks."),
    "missing_value": ErrorKind(422, "A row lacks a value", "Fill it in.", wrong_call=True, public=True),
    "clash": ErrorKind(409, "Rows contradict each other or the catalogue", "Make them say the same."),
    "bad_evaluation": ErrorKind(422, "These pictures cannot be evaluated", "See the message."),
    "duplicate_image": ErrorKind(409, "One image stands for two records", "Decide which record it shows."),
    "bad_format": ErrorKind(
        422,
        "Not a format of cards",
        "Write a name like cabinet, or a size in mm like 108x165.",
        wrong_call=True,
        public=True,
    ),
    "wrong_format": ErrorKind(422, "The picture cannot show a card of that format", "Correct the format."),
    "bad_day": ErrorKind(422, "Not a valid date", "Write it like 1987-05-23, 1987-05 or 1987.", wrong_call=True),
    "bad_mapping": ErrorKind(
        422, "Columns are mapped wrongly", "Map each of your columns to one of ours.", wrong_call=True
    ),
    "table_too_large": ErrorKind(413, "The table is too large", "Divide it into smaller tables.", wrong_call=True),
    # the log, finds and corrections
    "no_name": ErrorKind(422, "A decision needs a name", "Say who decides.", wrong_call=True, public=True),
    "no_such_find": ErrorKind(
        404, "There is no such find", "List the finds to see their ids.", wrong_call=True, public=True
    ),
    "no_such_sighting": ErrorKind(
        404, "There is no such sighting", "List the sightings.", wrong_call=True, public=True
    ),
    "no_such_decision": ErrorKind(404, "There is no such decision", "List the log.", wrong_call=True),
    "already_decided": ErrorKind(409, "The find is decided already", "Undo that decision first.", public=True),
    "already_undone": ErrorKind(
        409, "The decision cannot be undone or redone", "Look at the log to see what stands.", public=True
    ),
    "in_the_way": ErrorKind(
        409, "Later decisions build on this one", "Undo those first, the newest first.", public=True
    ),
    "nothing_changed": ErrorKind(409, "No change", "Look at it again."),
    "no_such_lot": ErrorKind(
        404, "There is no such lot", "List the lots to see their ids.", wrong_call=True, public=True
    ),
    "no_such_card": ErrorKind(
        404, "There is no such card in the lot", "List the lot's results.", wrong_call=True, public=True
    ),
    "no_cards": ErrorKind(409, "The lot holds no cards yet", "Wait until it has been worked on.", wrong_call=True),
    "bad_sidecar": ErrorKind(409, "A sidecar cannot be merged with what is there", "Correct it, or remove it."),
    "no_pictures": ErrorKind(
        422, "There are no pictures in the lot", "Send scans or photos of cards.", wrong_call=True
    ),
    "lot_busy": ErrorKind(
        409, "The lot is being worked on", "Wait until that run has ended.", retry_after=30, wrong_call=True
    ),
    "bad_log": ErrorKind(422, "The log is damaged or was changed", "Export it again, and copy it whole."),
    "does_not_fit": ErrorKind(409, "The log does not fit the catalogue", "Replay it into an empty catalogue."),
    "another_catalogue": ErrorKind(409, "The log is of another catalogue", "Replay it into an empty catalogue."),
    "bad_bag": ErrorKind(422, "The export is damaged or was changed", "Copy all of it again."),
    "bad_zip": ErrorKind(422, "The zip cannot be unpacked", "Pack the files anew, without links and passwords."),
    "zip_too_large": ErrorKind(413, "The zip unpacks to more than is allowed", "Divide it."),
    "target_exists": ErrorKind(
        409, "There is a file of that name already", "Name one that is not there yet.", wrong_call=True
    ),
    "no_such_token": ErrorKind(404, "There is no such token", "List the tokens."),
    "bad_target": ErrorKind(422, "The file cannot be written", "Name another.", wrong_call=True),
    # the catalogue
    "no_such_record": ErrorKind(404, "There is no such record", "List the records to see their ids.", wrong_call=True),
    "no_such_reference": ErrorKind(
        404, "There is no such reference", "It may have been removed; look at its record.", wrong_call=True
    ),
    "too_few_poses": ErrorKind(422, "The catalogue holds too few poses for that", "Enrol more.", wrong_call=True),
    "missing_part": ErrorKind(500, "A part of platekin is not installed", "The service's owner has to install it."),
    "damaged_part": ErrorKind(500, "A part of platekin is damaged", "The service's owner has to install it again."),
    "locked": ErrorKind(503, "The catalogue is being written to", "Try again in a few seconds.", retry_after=5),
    "read_only": ErrorKind(503, "The catalogue is read-only", "The service's owner has to allow writing."),
    "unreadable": ErrorKind(503, "The catalogue may not be read", "The service's owner has to allow it."),
    "share_used_up": ErrorKind(
        507, "Your share of the service's disk is used up", "Remove lots that are done.", public=True
    ),
    "disk_full": ErrorKind(507, "The disk of the service is full", "The service's owner has to free some space."),
    "damaged": ErrorKind(500, "The catalogue is damaged", "The service's owner has to examine it: platekin check."),
    "not_a_catalogue": ErrorKind(
        503, "The catalogue cannot be found", "The service's owner has to check its place.", wrong_call=True
    ),
    "newer_version": ErrorKind(
        503, "The catalogue was made by a newer version", "The service's owner has to upgrade platekin."
    ),
    "unreachable": ErrorKind(503, "The catalogue's database does not answer", "Try again in a while.", retry_after=30),
    # the work
    "busy": ErrorKind(429, "The queue is full", "Try again in a few seconds.", retry_after=2),
    "timeout": ErrorKind(503, "The answer took too long", "Try again, or send a smaller photo.", retry_after=10),
    "worker_lost": ErrorKind(
        503, "The process that did the work was lost", "Try again, or send a smaller photo.", retry_after=2
    ),
    "no_cluster": ErrorKind(503, "No cluster answers", "Start its scheduler and its workers.", retry_after=30),
    "open_cluster": ErrorKind(503, "The cluster is open to everybody", "Start it with TLS.", wrong_call=True),
    "cluster_differs": ErrorKind(503, "The cluster runs other versions", "Install the same versions on every machine."),
    "cluster_blind": ErrorKind(503, "The cluster does not see the files", "Keep them where every machine sees them."),
    "unexpected": ErrorKind(500, "Something unexpected happened", "Please report it, with the photo."),
}
"""What each code means, for all codes that are raised in this package or in the service on its behalf."""
