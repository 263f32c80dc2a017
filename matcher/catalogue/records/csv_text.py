"""Tables as CSV that a spreadsheet may open: cells that it would run as formulas are made harmless, reversibly.

A cell that begins with = + - @ tab or carriage return, after any apostrophes, gets one apostrophe more in front when
written (OWASP, 'CSV Injection'), and loses one when read. So every text comes back as it was.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence

DANGEROUS = ("=", "+", "-", "@", "\t", "\r")


def guard(cell: str) -> str:
    """
    >>> guard("=1+1"), guard("'=1"), guard("O'Neill"), guard("'tis")
    ("'=1+1", "''=1", "O'Neill", "'tis")
    """
    return f"'{cell}" if cell.lstrip("'").startswith(DANGEROUS) else cell


def unguard(cell: str) -> str:
    """The reverse of `guard`; a cell that nobody has guarded stays as it is.

    >>> unguard("'=1+1"), unguard("''=1"), unguard("=1+1"), unguard("'tis")
    ('=1+1', "'=1", '=1+1', "'tis")
    """
    return cell[1:] if cell.startswith("'") and cell.lstrip("'").startswith(DANGEROUS) else cell


def csv_bytes(columns: Sequence[str], rows: Iterable[Sequence[object]]) -> bytes:
    """A CSV file: UTF-8, comma, CRLF (RFC 4180), guarded; None is an empty cell."""
    out = io.StringIO(newline="")
    writer = csv.writer(out)
    writer.writerow(columns)
    for row in rows:
        writer.writerow(["" if cell is None else guard(str(cell)) for cell in row])
    return out.getvalue().encode("utf-8")
