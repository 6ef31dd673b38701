"""Which device a user means by a part of its name. Pure."""

from __future__ import annotations

from collections.abc import Mapping

from cuesync.errors import DeviceError


def index_meant(labels: Mapping[int, tuple[str, str]], wanted: str, kind: str) -> int:
    """The key of the one entry of `labels` (name and full label of each) that `wanted` means.

    A whole name or label wins over a part of one. `kind` is what is looked for, in words. DeviceError, with
    the choices, where nothing or more than one thing fits.
    """
    folded = wanted.casefold()
    exact = [index for index, names in labels.items() if folded in (name.casefold() for name in names)]
    matches = exact or [index for index, (_, label) in labels.items() if folded in label.casefold()]
    if len(matches) == 1:
        return matches[0]
    if not matches:
        choices = ", ".join(f'"{label}"' for _, label in labels.values())
        raise DeviceError(f'no {kind} is called "{wanted}". There are: {choices}.')
    several = ", ".join(f'"{labels[index][1]}"' for index in matches)
    raise DeviceError(f'"{wanted}" could be any of {several}. Write one of these in full.')
