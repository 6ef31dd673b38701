"""Serial ports by whichever name: a link such as those in /dev/serial/by-id means the port behind it."""

from __future__ import annotations

import os
import sys


def real_port(name: str) -> str:
    """One text for one port as it is plugged in now; for comparing, not for people."""
    if sys.platform == "win32":
        return name.upper().removeprefix("\\\\.\\")
    return os.path.realpath(name)
