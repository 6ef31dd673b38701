"""How many of what, in words."""

from __future__ import annotations


def counted(number: int, one: str, more: str = "") -> str:
    """ "1 scare", "2 scares"; `more` where the plural is not `one` with an s."""
    return f"{number} {one if number == 1 else more or one + 's'}"


def counted_scares(scares: int, unfinished: int) -> str:
    """ "3 scares and 1 that was not finished"."""
    if not unfinished:
        return counted(scares, "scare")
    return f"{counted(scares, 'scare')} and {counted(unfinished, 'that was', 'that were')} not finished"
