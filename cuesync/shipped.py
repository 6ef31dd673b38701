"""Where the sample recordings and scenes are: in the installed package, or beside it in a checkout."""

from __future__ import annotations

from pathlib import Path

from cuesync.errors import InputError

FOLDERS = ("sample_audio", "scenes")


def shipped_folder() -> Path:
    """The folder that holds `sample_audio` and `scenes`; InputError where they were not installed."""
    package = Path(__file__).parent
    for folder in (package / "shipped", package.parent):
        if all((folder / name).is_dir() for name in FOLDERS):
            return folder
    raise InputError(
        "the sample recordings and scenes are missing from this installation. Install cuesync again, "
        "or run the demo from a checkout."
    )
