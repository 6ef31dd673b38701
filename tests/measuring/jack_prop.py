"""A simulated prop as a JACK client, in a process of its own.

    python -m tests.measuring.jack_prop SOUND.npy

It joins PortAudio's output to its input, as air would, and itself to that input as well; says "joined";
and then, for each line on its standard input, plays the sound so that it begins at that host time
(`time.perf_counter`, which all processes of a Linux computer share). It ends with its standard input.
"""

from __future__ import annotations

import select
import sys
import time
from typing import Any

import jack
import numpy as np


def main(path: str) -> None:
    sound = np.load(path).astype(np.float32)
    jack.set_error_function(lambda _: None)
    client: Any = jack.Client("cuesync prop", no_start_server=True)
    mouth = client.outports.register("out")
    starts: list[int] = []

    def process(frames: int) -> None:
        out = mouth.get_array()
        out[:] = 0.0
        now = client.last_frame_time
        for start in starts:
            begin, end = max(start, now), min(start + len(sound), now + frames)
            if begin < end:
                out[begin - now : end - now] += sound[begin - start : end - start]

    client.set_process_callback(process)
    joined = False
    with client:
        while True:
            readable, _, _ = select.select([sys.stdin], [], [], 0.02)
            if readable:
                line = sys.stdin.readline()
                if not line:
                    return
                ahead_s = float(line) - time.perf_counter()
                starts.append(client.frame_time + round(ahead_s * client.samplerate))
            if not joined and join(client, mouth):
                joined = True
                print("joined", flush=True)


def join(client: Any, mouth: Any) -> bool:
    """Connect all that should be; False while PortAudio is not there."""
    # a program that opens input and output in two processes is "PortAudio" and "PortAudio-01"
    ears = client.get_ports("PortAudio.*:", is_audio=True, is_input=True)
    speakers = client.get_ports("PortAudio.*:", is_audio=True, is_output=True)
    if not ears or not speakers:
        return False
    for source in (speakers[0], mouth):
        if source in client.get_all_connections(ears[0]):
            continue
        try:
            client.connect(source, ears[0])
        except jack.JackError:
            return False  # PortAudio was not ready; next time
    return True


if __name__ == "__main__":
    main(sys.argv[1])
