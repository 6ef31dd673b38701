"""Live measuring through a real PortAudio stream, with a prop that is another JACK client."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from cuesync.measuring.recording import measure_recording
from tests.measuring.live_session import AHEAD_S

pytestmark = pytest.mark.real_stream

RATE_HZ = 48000
DELAY_S = 0.35


def prop_sound() -> NDArray[np.float32]:
    """A motor for a second, and a bang `DELAY_S` after its start that dies away in a twentieth of one."""
    random = np.random.default_rng(3)
    times_s = np.arange(RATE_HZ) / RATE_HZ
    sound = 0.01 * np.sin(2 * np.pi * 110 * times_s) + 0.002 * random.standard_normal(RATE_HZ)
    after_s = times_s - DELAY_S
    bang = np.where(after_s >= 0, 0.5 * np.exp(-after_s / 0.05), 0.0) * random.standard_normal(RATE_HZ)
    return (sound + np.clip(bang, -0.9, 0.9)).astype(np.float32)


def test_the_delay_is_found_through_a_real_stream(tmp_path: Path, roomy_jack: int) -> None:
    """A block more or less on the prop's way is the server's business, but it is the same for each trial."""
    np.save(tmp_path / "prop.npy", prop_sound())
    path = tmp_path / "live.wav"
    done = subprocess.run(
        [sys.executable, "-m", "tests.measuring.live_session", tmp_path / "prop.npy", path, "3"],
        cwd=Path(__file__).resolve().parents[2],
        capture_output=True,
        text=True,
        timeout=170.0,
        check=False,
    )
    assert done.stdout, done.stderr
    found = json.loads(done.stdout)
    assert len(found["delays_s"]) == 3, found["words"]
    assert None not in found["delays_s"], found["words"]
    errors_s = np.array(found["delays_s"]) - AHEAD_S - DELAY_S
    assert np.abs(np.median(errors_s)) < roomy_jack / RATE_HZ + 0.002, (errors_s, found["words"])
    assert np.abs(errors_s - np.median(errors_s)).max() < 0.004, (errors_s, found["words"])
    kept = measure_recording(path)
    assert kept.way == "chirp"
    assert len(kept.trials) >= 3
