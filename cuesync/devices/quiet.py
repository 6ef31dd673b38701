"""Keeps C libraries from writing on the operator's screen while they look for what is not there."""

from __future__ import annotations

import contextlib
import os
import sys
from collections.abc import Iterator


@contextlib.contextmanager
def quiet_stderr() -> Iterator[None]:
    """What is written to the process's standard error in here goes nowhere (nothing changes on Windows)."""
    if sys.platform == "win32":
        yield
        return
    sys.stderr.flush()
    saved = os.dup(2)
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, 2)
    os.close(nowhere)
    try:
        yield
    finally:
        os.dup2(saved, 2)
        os.close(saved)
