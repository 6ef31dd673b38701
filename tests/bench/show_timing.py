"""How exactly a sound follows its trigger, beside the naive ways; light commands; the cost of mixing.

    python tests/bench/show_timing.py [--triggers 1000] [--blocks 64,256,2048] [--realtime] [--naive]

Triggers come at random moments; what comes out of PortAudio is recorded sample by sample by another process
through JACK's dummy driver, with the host time of every block. Printed are the offset of the sound from
trigger + delay, its standard deviation, and the largest deviation from its median. `--realtime` starts jackd
with real-time priority (needs the rights), which keeps other programs' load out of the result.
"""

from __future__ import annotations

import argparse
import contextlib
import random
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from cuesync.devices.ports import ContactEdge, HostClock, LightCommand
from cuesync.show.engine import Show
from cuesync.show.events import ScareDone, ShowEvent
from cuesync.show.log import NightLog, new_night_file
from cuesync.show.mixer import Mixer, Voice
from cuesync.show.prepared import PreparedSound
from cuesync.show.sound_process import SoundProcess
from cuesync.show.threads import WorkerThread
from tests.show import jackserver
from tests.show.plans import click, light, plan, sound

DELAY_S, HIT_S, RESET_S = 0.100, 0.010, 0.120
RATE_HZ = 48000


def triggers(count: int, fire: Callable[[float], None], release: Callable[[], None]) -> NDArray[np.float64]:
    """Fire at random moments, slower than the reset; gives their host times."""
    draw = random.Random(11)
    times_s = []
    for _ in range(count):
        now_s = time.perf_counter()
        fire(now_s)
        times_s.append(now_s)
        time.sleep(0.03)
        release()
        time.sleep(RESET_S - 0.02 + draw.random() * 0.03)
    time.sleep(0.5)
    return np.array(times_s)


def judge(name: str, heard: jackserver.Heard, triggers_s: NDArray[np.float64]) -> None:
    hits_s = heard.times_s(heard.hits())
    if not len(hits_s):
        print(f"  {name:34s} nothing was heard")
        return
    wanted_s = triggers_s + DELAY_S
    nearest = np.argmin(np.abs(hits_s[None, :] - wanted_s[:, None]), axis=1)
    errors_ms = (hits_s[nearest] - wanted_s) * 1000.0
    errors_ms = errors_ms[np.abs(errors_ms) < 60.0]
    middle_ms = float(np.median(errors_ms))
    furthest_ms = np.max(np.abs(errors_ms - middle_ms))
    print(
        f"  {name:34s} n {len(errors_ms):4d} of {len(triggers_s)}  offset {middle_ms:7.3f} ms"
        f"  sd {np.std(errors_ms):7.4f} ms  max {furthest_ms:7.3f} ms"
        f"  {np.count_nonzero(np.abs(errors_ms - middle_ms) > 0.5)} over 0.5 ms  lost {heard.lost} frames",
        flush=True,
    )


def cuesync_way(folder: Path, count: int) -> None:
    clock = HostClock()
    desk = SoundProcess(clock=clock)
    events: list[ShowEvent] = []
    cue = plan(
        delay_s=DELAY_S,
        reset_s=RESET_S,
        debounce_s=0.001,
        sounds=(sound(click(length_s=0.02, hit_s=HIT_S), start_s=DELAY_S - HIT_S, hit_s=HIT_S),),
    )
    show = Show([cue], clock=clock, sound=desk, lights=None, report=events.append)
    thread = WorkerThread(show, clock, "show", lambda problem: print(problem, file=sys.stderr))
    show.wake = thread.wake
    ear = jackserver.Ear(folder, count * 0.3 + 10.0)
    try:
        show.start()
        thread.start()
        time.sleep(2.0)
        times_s = triggers(
            count,
            lambda now_s: show.put(ContactEdge(contact="key:space", closed=True, at_s=now_s)),
            lambda: show.put(ContactEdge(contact="key:space", closed=False, at_s=clock.now_s())),
        )
        thread.stop()
        counts = desk.counts
        desk.close()
        judge("cuesync", ear.stop(), times_s)
        print(
            f"  {'':34s} dropouts {counts.dropouts}, frames skipped {counts.skipped_frames}, "
            f"scares {show.scares}"
        )
    finally:
        ear.kill()


def next_callback_way(folder: Path, count: int) -> None:
    """Start the clip at the first sample of the next callback, a timer's sleep after the trigger."""
    import sounddevice as sd

    clip = click(length_s=0.02, hit_s=HIT_S).samples[:, 0]
    state = {"at": len(clip)}

    def callback(out: NDArray[np.float32], frames: int, _time: object, _status: object) -> None:
        part = clip[state["at"] : state["at"] + frames]
        out.fill(0.0)
        out[: len(part)] = part[:, None]
        state["at"] += frames

    def start() -> None:
        state["at"] = 0

    ear = jackserver.Ear(folder, count * 0.3 + 10.0)
    try:
        with sd.OutputStream(
            channels=2, samplerate=RATE_HZ, dtype="float32", latency="low", callback=callback
        ):
            time.sleep(2.0)
            times_s = triggers(count, lambda _: threading.Timer(DELAY_S - HIT_S, start).start(), lambda: None)
        judge("clip started in the next callback", ear.stop(), times_s)
    finally:
        ear.kill()


def play_way(folder: Path, count: int) -> None:
    """`sounddevice.play`, a timer's sleep after the trigger."""
    import sounddevice as sd

    clip = np.repeat(click(length_s=0.02, hit_s=HIT_S).samples, 2, axis=1)

    def start() -> None:
        with contextlib.suppress(sd.PortAudioError):
            sd.play(clip, RATE_HZ)

    ear = jackserver.Ear(folder, count * 0.3 + 10.0)
    try:
        sd.play(clip * 0.0, RATE_HZ, blocking=True)
        times_s = triggers(count, lambda _: threading.Timer(DELAY_S - HIT_S, start).start(), lambda: None)
        sd.stop()
        judge("sounddevice.play", ear.stop(), times_s)
    finally:
        ear.kill()


class NoLights:
    """Takes commands and does nothing, so that only our own lateness is measured."""

    def send(self, command: LightCommand) -> None:
        pass

    def all_off(self) -> None:
        pass

    def alive(self) -> bool:
        return True

    def close(self) -> None:
        pass


def lights(folder: Path, count: int) -> None:
    """Eight scenes at once, each with a sound and ten flashes, all of it logged."""
    clock = HostClock()
    desk = SoundProcess(clock=clock)
    flashes = tuple(light(0.02 + 0.017 * index, 0.007, f"midi:{36 + index}") for index in range(10))
    cues = [
        plan(
            title=f"scene {index}",
            delay_s=0.1,
            reset_s=0.3,
            lights=flashes,
            debounce_s=0.001,
            sounds=(sound(click(length_s=0.25), start_s=0.01),),
        )
        for index in range(8)
    ]
    log = NightLog(new_night_file(folder, "2026-10-31"), cues, clock.now_s())
    done: list[ScareDone] = []

    def report(event: ShowEvent) -> None:
        log.put(event)
        if isinstance(event, ScareDone):
            done.append(event)

    show = Show(cues, clock=clock, sound=desk, lights=NoLights(), report=report)
    failed = lambda problem: print(problem, file=sys.stderr)  # noqa: E731
    show_thread = WorkerThread(show, clock, "show", failed)
    (light_desk,) = show.lights.desks
    light_thread = WorkerThread(light_desk, clock, "lights", failed, punctual=True)
    show.wake, light_desk.wake = show_thread.wake, light_thread.wake
    show.start()
    show_thread.start()
    light_thread.start()
    time.sleep(1.5)
    for _ in range(count):
        show.put(ContactEdge(contact="key:space", closed=True, at_s=clock.now_s()))
        time.sleep(0.03)
        show.put(ContactEdge(contact="key:space", closed=False, at_s=clock.now_s()))
        time.sleep(0.45)
    time.sleep(1.0)
    show_thread.stop()
    light_thread.stop()
    desk.close()
    log.close()
    late_ms = np.array([sent.late_ms for scare in done for sent in scare.lights if sent.late_ms is not None])
    print(
        f"lights, 8 scenes playing, log written: {len(late_ms)} commands, "
        f"median {np.median(late_ms):.3f} ms late, p99 {np.percentile(late_ms, 99):.3f} ms, "
        f"max {np.max(late_ms):.3f} ms"
    )


def mixing() -> None:
    """32 stereo voices at 256 frames, as a part of the callback's time, on this core."""
    for level, name in ((0.01, "untouched"), (0.2, "turned down by the limiter")):
        mixer = Mixer(RATE_HZ, 2)
        rows = np.full((2, 60 * RATE_HZ), level, dtype=np.float32)
        prepared = PreparedSound(name="long", rows=rows, routes=((0, 0), (1, 1)))
        for _ in range(32):
            mixer.play(Voice(prepared, 0))
        out = np.zeros((256, 2), dtype=np.float32)
        took_s = np.zeros(4000)
        for index in range(len(took_s)):
            start_s = time.perf_counter()
            mixer.render(out, index * 256)
            took_s[index] = time.perf_counter() - start_s
        share = took_s / (256 / RATE_HZ) * 100.0
        print(
            f"mixing 32 stereo voices, sum {name}: median {np.median(share):.1f} % of the callback's time, "
            f"p99 {np.percentile(share, 99):.1f} %"
        )


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--triggers", type=int, default=200)
    parser.add_argument("--blocks", default="64,256,1024,2048")
    parser.add_argument("--realtime", action="store_true")
    parser.add_argument("--naive", action="store_true", help="also measure the naive ways")
    options = parser.parse_args()
    mixing()
    why = jackserver.missing()
    if why:
        print(f"no stream: {why}")
        return
    with tempfile.TemporaryDirectory() as folder:
        for block in map(int, options.blocks.split(",")):
            # Each way meets a server of its own, which outlives its PortAudio.
            with jackserver.jack_server(block, realtime=options.realtime):
                print(f"blocks of {block} frames ({block / RATE_HZ * 1000.0:.1f} ms)")
                cuesync_way(Path(folder), options.triggers)
                if options.naive:
                    for way in ("next", "play"):
                        _in_a_process(way, options.triggers)
        with jackserver.jack_server(256, realtime=options.realtime):
            lights(Path(folder), max(10, options.triggers // 10))


def _in_a_process(way: str, count: int) -> None:
    """PortAudio must not outlive its JACK server, so the naive ways get a process each."""
    import subprocess

    try:
        subprocess.run(
            [sys.executable, __file__, "--way", way, str(count)], check=False, timeout=count * 0.5 + 60.0
        )
    except subprocess.TimeoutExpired:
        print(f"  {way}: hung, and was ended", flush=True)


if __name__ == "__main__":
    if sys.argv[1:2] == ["--way"]:
        with tempfile.TemporaryDirectory() as own_folder:
            {"next": next_callback_way, "play": play_way}[sys.argv[2]](Path(own_folder), int(sys.argv[3]))
    else:
        main()
