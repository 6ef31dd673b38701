"""A JACK client in a process of its own that hears every sample of a program's output, with its host time.

    python -m tests.show.ear SECONDS FILE.npz PREFIX

It connects to every output port whose name begins with PREFIX, says "ready", records until its standard
input ends or the time is over, and writes `samples` (frames, 2), `at` (first sample of each block),
`asked_s` (`time.perf_counter` when JACK asked for the block) and `lost` (frames that JACK skipped).
JACK's own estimate of time is not used: after a disturbance it takes seconds to come back.
"""

from __future__ import annotations

import select
import sys
import time
from typing import Any

import jack
import numpy as np


def main(seconds: float, path: str, prefix: str) -> None:
    jack.set_error_function(lambda _: None)
    client: Any = jack.Client("cuesync ear", no_start_server=True)
    rate_hz = client.samplerate
    samples = np.zeros((round(seconds * rate_hz), 2), dtype=np.float32)
    blocks = len(samples) // client.blocksize + 1
    at = np.zeros(blocks, dtype=np.int64)
    asked_s = np.zeros(blocks)
    ports = [client.inports.register(f"in_{index + 1}") for index in range(2)]
    state = {"first": -1, "blocks": 0, "end": 0, "lost": 0}

    def process(frames: int) -> None:
        asked = time.perf_counter()
        now = client.last_frame_time
        if state["first"] < 0:
            state["first"] = now
        here = (now - state["first"]) % 2**32
        if here + frames > len(samples) or state["blocks"] >= blocks:
            return
        state["lost"] += here - state["end"]
        for index, port in enumerate(ports):
            samples[here : here + frames, index] = port.get_array()
        at[state["blocks"]] = here
        asked_s[state["blocks"]] = asked
        state["blocks"] += 1
        state["end"] = here + frames

    client.set_process_callback(process)
    with client:
        print("ready", flush=True)
        end_s = time.monotonic() + seconds
        while time.monotonic() < end_s:
            readable, _, _ = select.select([sys.stdin], [], [], 0.02)
            if readable and not sys.stdin.read(1):
                break
            connect(client, prefix)
    count = state["blocks"]
    np.savez(
        path, samples=samples[: state["end"]], at=at[:count], asked_s=asked_s[:count], lost=state["lost"]
    )


def connect(client: Any, prefix: str) -> None:
    """Join the program's outputs to our inputs, in order, where they are not joined yet."""
    try:
        outputs = client.get_ports(f"{prefix}.*", is_audio=True, is_output=True)
        for output, port in zip(outputs, client.inports, strict=False):
            if not client.owns(output) and output not in port.connections:
                client.connect(output, port)
    except (jack.JackError, RuntimeError):
        return  # one went away meanwhile (RuntimeError: while its name was asked for); in a moment once more


if __name__ == "__main__":
    main(float(sys.argv[1]), sys.argv[2], sys.argv[3])
