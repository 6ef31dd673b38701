"""How quickly cuesync starts, as ratios to the imports it can't do without, measured in turns in one run.

    python tests/bench/start_up.py [ROUNDS]

`--help` against `import click`; and, where jackd is installed, `run` until its scene is armed against
`import numpy, sounddevice`. Medians of the rounds; ratios mean more than seconds. All of it is compiled
beforehand, as it is where cuesync was installed, also where the environment keeps Python from doing that.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
import time
from contextlib import contextmanager
from pathlib import Path
from statistics import median
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator

SERVER = "cuesync-start-up"
SCENE = """
title = "start-up"
[prop]
trigger_to_pop_ms = 900
reset_s = 5
[sound]
clip = "{clip}"
hit_s = 0.1
"""


def compiled_in(folder: Path) -> dict[str, str]:
    """An environment in which Python keeps what it compiles in this folder."""
    kept = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    return kept | {"PYTHONPYCACHEPREFIX": str(folder)}


def seconds(environment: dict[str, str], *arguments: str) -> float:
    began_s = time.perf_counter()
    subprocess.run([sys.executable, *arguments], check=True, stdout=subprocess.DEVNULL, env=environment)
    return time.perf_counter() - began_s


def seconds_until_armed(environment: dict[str, str], scene: Path, folder: Path) -> float:
    """From starting the program until it says that the scene is armed; then it is ended in good order."""
    import pty

    manager, terminal = pty.openpty()
    began_s = time.perf_counter()
    program = subprocess.Popen(
        [sys.executable, "-u", "-m", "cuesync", "run", str(scene), "--log-folder", str(folder / "nights")],
        stdin=terminal,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
        env=environment | {"JACK_DEFAULT_SERVER": SERVER},
    )
    os.close(terminal)
    assert program.stdout is not None
    armed_s = None
    for line in program.stdout:
        if line.rstrip().endswith("armed"):
            armed_s = time.perf_counter() - began_s
            program.terminate()
    program.wait()
    os.close(manager)
    if armed_s is None:
        raise RuntimeError("the scene was never armed")
    return armed_s


@contextmanager
def jack_server() -> Iterator[None]:
    server = subprocess.Popen(
        ["jackd", "-r", "-n", SERVER, "-d", "dummy", "-r", "48000", "-p", "256"],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    try:
        time.sleep(1.0)
        yield
    finally:
        server.terminate()
        server.wait()


def report(name: str, ours_s: list[float], base: str, base_s: list[float]) -> None:
    ratio = median(ours_s) / median(base_s)
    print(f"{name}: {median(ours_s):.3f} s; {base}: {median(base_s):.3f} s; ratio {ratio:.2f}")


def main() -> None:
    rounds = int(sys.argv[1]) if len(sys.argv) > 1 else 15
    with tempfile.TemporaryDirectory() as name:
        measure(rounds, Path(name))


def measure(rounds: int, folder: Path) -> None:
    environment = compiled_in(folder / "compiled")
    ours, base = ("-m", "cuesync", "--help"), ("-c", "import click")
    seconds(environment, *ours)
    pairs = [(seconds(environment, *ours), seconds(environment, *base)) for _ in range(rounds)]
    report("cuesync --help", [ours for ours, _ in pairs], "import click", [base for _, base in pairs])
    if shutil.which("jackd") is None:
        print("cuesync run: not measured, there is no jackd here")
        return
    clip = Path(__file__).parents[2] / "sample_audio" / "scream.flac"
    scene = folder / "scene.toml"
    scene.write_text(SCENE.format(clip=clip.as_posix()), encoding="utf-8")
    base = ("-c", "import numpy, sounddevice")
    with jack_server():
        seconds_until_armed(environment, scene, folder)
        seconds(environment, *base)
        pairs = [
            (seconds_until_armed(environment, scene, folder), seconds(environment, *base))
            for _ in range(rounds)
        ]
    report(
        "cuesync run until armed",
        [ours for ours, _ in pairs],
        "import numpy, sounddevice",
        [base for _, base in pairs],
    )


if __name__ == "__main__":
    main()
