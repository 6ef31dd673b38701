"""Starting a module of cuesync's own in a process of its own."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path


def start_module(module: str, *arguments: str, new_session: bool = False) -> subprocess.Popen[bytes]:
    """`python -m module` with pipes to its standard input and from its standard output.

    `new_session`: what is typed at this program's terminal (Ctrl-C, Ctrl-Z) doesn't reach it (POSIX).
    """
    environment = dict(os.environ)
    root = str(Path(__file__).resolve().parents[1])
    environment["PYTHONPATH"] = os.pathsep.join(
        part for part in (root, environment.get("PYTHONPATH", "")) if part
    )
    return subprocess.Popen(
        [sys.executable, "-m", module, *arguments],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        env=environment,
        start_new_session=new_session,
    )
