"""A real stretch of night on JACK's dummy driver: six scenes, presses at random, memory and dropouts.

    python tests/bench/show_soak.py [MINUTES] [--realtime]

Says at the end what was lost, by how much memory grew after the first tenth, and what the log counted.
"""

from __future__ import annotations

import argparse
import os
import random
import sys
import tempfile
import threading
import time
from dataclasses import replace
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from cuesync.devices.opening import PortSettings
from cuesync.show.events import ScareDone, ShowEvent
from cuesync.show.live import run_show
from tests.show import jackserver
from tests.show.plans import click, plan, sound

KEYS = "abcdef"
RESET_S = 4.0


def memory_mb(process: int) -> float:
    """Resident memory of a process and of its children (Linux)."""
    total = 0
    for status in Path("/proc").glob("[0-9]*/status"):
        try:
            lines = dict(line.split(":", 1) for line in status.read_text().splitlines() if ":" in line)
        except OSError:
            continue
        if process in (int(lines["Pid"]), int(lines["PPid"])):
            total += int(lines.get("VmRSS", "0 kB").split()[0])
    return total / 1024.0


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("minutes", type=float, nargs="?", default=20.0)
    parser.add_argument("--realtime", action="store_true")
    options = parser.parse_args()
    scenes = [
        replace(
            plan(reset_s=RESET_S, sounds=(sound(click(length_s=2.0), start_s=0.5),)),
            title=f"scene {key}",
            contact=f"key:{key}",
        )
        for key in KEYS
    ]
    typist, keyboard = os.openpty()
    stop = threading.Event()
    done: list[ScareDone] = []
    faults: list[str] = []
    presses = 0
    began_s = time.perf_counter()

    def say(event: ShowEvent) -> None:
        if isinstance(event, ScareDone):
            done.append(event)
        elif event.kind in ("fault", "recovered"):
            faults.append(f"{event.at_s - began_s:7.1f} s  {event.text}")

    def operator() -> None:
        nonlocal presses
        draw = random.Random(3)
        end_s = time.monotonic() + options.minutes * 60.0
        first_mb = 0.0
        while time.monotonic() < end_s:
            time.sleep(draw.expovariate(1 / 0.5))
            os.write(typist, draw.choice(KEYS).encode())
            presses += 1
            if not first_mb and time.monotonic() > end_s - options.minutes * 54.0:
                first_mb = memory_mb(os.getpid())
        print(f"memory: {first_mb:.1f} MB after a tenth, {memory_mb(os.getpid()):.1f} MB at the end")
        stop.set()

    with jackserver.jack_server(256, realtime=options.realtime), tempfile.TemporaryDirectory() as folder:
        threading.Thread(target=operator, daemon=True).start()
        night = run_show(
            scenes, log_folder=Path(folder), say=say, stop=stop, settings=PortSettings(keyboard_fd=keyboard)
        )
    wanted_s = scenes[0].sounds[0].lands_s
    # the end of the night stops what is under way
    sounds = [played for scare in done if not scare.stopped for played in scare.sounds]
    silent = sum(played.start_s is None for played in sounds)
    off_s = [abs(played.lands_s - wanted_s) for played in sounds if played.lands_s is not None]
    missed = [played.late_ms for played in sounds if played.late_ms is not None and played.late_ms > 0.5]
    print(
        f"{presses} keys, {night.scares} scares, {night.refusals} refused; {silent} sounds not heard, "
        f"hits placed at most {max(off_s, default=0.0) * 1000.0:.3f} ms off, the beginning of {len(missed)} "
        f"lost (at most {max(missed, default=0.0):.1f} ms); {night.faults} faults"
    )
    for fault in faults:
        print(f"  {fault}")


if __name__ == "__main__":
    main()
