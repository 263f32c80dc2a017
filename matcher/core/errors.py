"""Every error this package raises on purpose, in one tree.

    PlatekinError
    ├── UnreadablePhoto     one picture cannot be used; the others go on
    ├── BadTable            a CSV of records cannot be used, or one of its rows
    ├── BadListing          a sale listing's text, or its table, cannot be used
    ├── CatalogueError      the catalogue cannot be opened, read or written
    └── Busy                the service has more work than it may queue

Each carries a stable `code` (for programs), a `message` that says what is wrong and where, and a
`remedy` that says what to do. A stage that merely finds nothing does not raise: it returns a falsy
value with a reason.
"""

from __future__ import annotations


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
