"""Starting a module of cuesync's own in a process of its own, and being such a process."""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import sys
from pathlib import Path
from typing import BinaryIO

from cuesync.ending import END_SIGNALS


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
        [sys.executable, "-P", "-m", module, *arguments],  # nothing of the user's folder is taken for ours
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        env=environment,
        start_new_session=new_session,
    )


def wait_or_kill(process: subprocess.Popen[bytes], within_s: float) -> None:
    """Wait for a child that was told to end; kill it where it doesn't, and wait for that no longer either."""
    try:
        process.wait(within_s)
    except subprocess.TimeoutExpired:
        process.kill()
        with contextlib.suppress(subprocess.TimeoutExpired):  # inside a driver, not even that ends it
            process.wait(within_s)


def begin_child() -> BinaryIO:
    """In such a process: its way to the show, with nothing on it that a driver prints.

    Ctrl-C and SIGTERM are the show's, which ends its children by closing their standard input.
    """
    for name in ("SIGINT", *END_SIGNALS):
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), signal.SIG_IGN)
    out = os.fdopen(os.dup(sys.stdout.fileno()), "wb")
    os.dup2(sys.stderr.fileno(), sys.stdout.fileno())
    return out
