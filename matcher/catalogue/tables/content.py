"""What names a stored picture: the SHA-256 of its bytes, and the suffix that fits its content.

Both become paths. So they are held against these patterns wherever they come in from outside: logs, bags, bundles.
"""

from __future__ import annotations

import re

SHA256 = re.compile(r"[0-9a-f]{64}")
OUTLINE = re.compile(r"[0-9a-f]{16}")
_CONTROL = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\ud800-\udfff]")
SUFFIXES = frozenset({".jpg", ".png", ".tif", ".gif", ".bmp", ".webp", ".img"})


LONGEST_TEXT = 20_000
"""Letters of one text: a long note; no name, caption or reason comes near."""


def is_plain(text: str) -> bool:
    r"""Whether a text can be shown anywhere: no control characters but line ends and tabs, and an end to it.

    Those of Unicode's classes Cc and Cs (UAX #44): NUL, which PostgreSQL cannot store, ESC, by which a terminal is
    given orders (ECMA-48), and halves of surrogate pairs, which are no text.

    >>> is_plain("Zoë\n"), is_plain("\x1b[31m"), is_plain("a\x00"), is_plain("\ud800")
    (True, False, False, False)
    """
    return len(text) <= LONGEST_TEXT and not _CONTROL.search(text)


def is_picture_name(sha256: object, suffix: object) -> bool:
    r"""Whether the two name a picture of ours.

    >>> is_picture_name("0" * 64, ".jpg"), is_picture_name("../secret", ".txt")
    (True, False)
    """
    return isinstance(sha256, str) and SHA256.fullmatch(sha256) is not None and suffix in SUFFIXES
