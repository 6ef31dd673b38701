"""Programs and packages that nobody here wrote, for ours to talk to in tests.

Where one is missing the test is skipped with the reason; with CUESYNC_PEERS=required in the environment it
fails instead, so that a test set-up can't lose them unseen.
"""

from __future__ import annotations

import importlib
import os
import shutil
from typing import Any

import pytest


def require(there: object, reason: str) -> None:
    """Skip this test for this reason unless `there`; fail it where peers are required."""
    if there:
        return
    if os.environ.get("CUESYNC_PEERS") == "required":
        pytest.fail(f"{reason} (CUESYNC_PEERS=required)")
    pytest.skip(reason)


def module(name: str) -> Any:
    """A package's module, imported."""
    try:
        return importlib.import_module(name)
    except ImportError:
        require(False, f"the Python package with {name} is not installed")
        raise


def program(name: str) -> str:
    """The path of a program; Debian keeps servers where not every user looks."""
    path = shutil.which(name) or shutil.which(name, path="/usr/sbin:/usr/local/sbin")
    require(path, f"{name} is not installed")
    assert path is not None
    return path
