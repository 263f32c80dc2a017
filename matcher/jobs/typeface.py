"""The type in which pictures for a person are lettered: one that has the letters of other scripts too."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path

from PIL import ImageFont


@lru_cache(16)
def typeface(size: int, bold: bool = False) -> ImageFont.FreeTypeFont:
    """DejaVu Sans, which matplotlib brings along: Latin, Greek, Cyrillic, Hebrew, Arabic and more. size: pixels."""
    import matplotlib as mpl  # here: no command that draws nothing should wait for it

    name = "DejaVuSans-Bold.ttf" if bold else "DejaVuSans.ttf"
    return ImageFont.truetype(str(Path(mpl.get_data_path()) / "fonts" / "ttf" / name), size)


def wrapped(text: str, width: int, size: int, bold: bool = False) -> list[str]:
    """The text in as many lines of at most `width` pixels as its words need; a longer word stands alone."""
    font, lines = typeface(size, bold), [""]
    for word in text.split():
        longer = f"{lines[-1]} {word}".strip()
        if font.getlength(longer) <= width or not lines[-1]:
            lines[-1] = longer
        else:
            lines.append(word)
    return [line for line in lines if line]


def fitted(text: str, width: int, size: int, bold: bool = False) -> str:
    """The text, cut where it is wider than `width` pixels."""
    font = typeface(size, bold)
    if font.getlength(text) <= width:
        return text
    while text and font.getlength(text + "…") > width:
        text = text[:-1]
    return text + "…"
