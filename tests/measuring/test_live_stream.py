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
        [sys.executable, "-m", "tests.measuring.live_session", tmp_path / "prop.npy", path, "5"],
        cwd=Path(__file__).resolve().parents[2],
        capture_output=True,
        text=True,
        timeout=170.0,
        check=False,
    )
    assert done.stdout, done.stderr
    found = json.loads(done.stdout)
    if any("lost sound meanwhile" in word for word in found["words"]) and len(found["delays_s"]) < 5:
        pytest.skip("the computer held JACK up nearly all the time: no trial counted")
    assert len(found["delays_s"]) == 5, found["words"]
    delays_s = [delay_s for delay_s in found["delays_s"] if delay_s is not None]
    assert len(delays_s) >= 3, found[
        "words"
    ]  # JACK skips a client that a busy computer holds up, the prop as well
    errors_s = np.array(delays_s) - AHEAD_S - DELAY_S
    middle_s = np.median(errors_s)
    assert np.abs(middle_s) < roomy_jack / RATE_HZ + 0.002, (errors_s, found["words"])
    assert np.sum(np.abs(errors_s - middle_s) < 0.004) >= 3, (errors_s, found["words"])
    kept = measure_recording(path)
    assert kept.way == "chirp"
    assert len(kept.trials) >= 3
