"""How wide words are in a terminal, and where a line may be broken. Loads nothing heavy."""

from __future__ import annotations

import re
import unicodedata


def columns(text: str) -> int:
    """Columns that `text` takes in a terminal: East Asian wide letters take two, combining marks none."""
    return sum(
        0 if unicodedata.combining(letter) else 2 if unicodedata.east_asian_width(letter) in "WF" else 1
        for letter in text
    )


def wrapped(text: str, width: int, hang: int) -> str:
    """`text` broken between words into lines of at most `width` columns; later ones begin `hang` blanks in.

    A word that is too long for a line stays whole: it may be a path to copy.
    """
    lines: list[str] = []
    for paragraph in text.splitlines():
        line = ""
        for word in re.findall(r"\s*\S+", paragraph):
            if line and columns(line + word) > width:
                lines.append(line)
                line = " " * hang + word.lstrip()
            else:
                line += word
        lines.append(line)
    return "\n".join(lines)
