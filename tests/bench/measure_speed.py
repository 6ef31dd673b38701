"""How fast and in how much memory `cuesync measure` goes through long recordings.

    python tests/bench/measure_speed.py

Each run is a process of its own, so that start-up, reading and everything else count. The recordings are
synthesised: two channels, 48 kHz, six trials a minute, ten and thirty minutes long. Beside it, librosa's
default onset detection on the same ten minutes, microphone's channel only, also with start-up and reading.
Both run from byte code, as installed packages do; a first run, which compiles, doesn't count.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
RATE_HZ = 48000
SPACING_S = 10.0
RUNS = 3

LIBROSA = (
    "import librosa, sys; y, sr = librosa.load(sys.argv[1], sr=None, mono=False); "
    "print(len(librosa.onset.onset_detect(y=y[1], sr=sr)))"
)


def write(path: Path, minutes: int) -> None:
    """Ten-minute parts, one after the other.

    Done in a process of its own: a child's peak memory starts at its parent's, so the parent stays small.
    """
    import numpy as np
    import soundfile

    sys.path.insert(0, str(ROOT))
    from sample_audio import make

    with soundfile.SoundFile(path, "w", RATE_HZ, 2, subtype="PCM_16") as file:
        for part in range(minutes // 10):
            made = make.make_recording(
                trials=60, spacing_s=SPACING_S, lead_s=1.0, rate_hz=RATE_HZ, seed=20 + part, snr_db=50.0
            )
            frames = 600 * RATE_HZ
            samples = np.zeros((frames, 2), dtype=np.float32)
            samples[: min(frames, len(made.samples))] = made.samples[:frames]
            file.write(samples)


def run(command: list[str], byte_code: str) -> tuple[float, float, bytes]:
    """Seconds, peak memory in MB, and what was printed; the fastest of a few runs."""
    environment = os.environ | {"PYTHONDONTWRITEBYTECODE": "", "PYTHONPYCACHEPREFIX": byte_code}
    best_s, most_mb, out = float("inf"), 0.0, b""
    for turn in range(RUNS + 1):
        began = time.perf_counter()
        process = subprocess.Popen(command, stdout=subprocess.PIPE, cwd=ROOT, env=environment)
        assert process.stdout is not None
        out = process.stdout.read()
        _, status, usage = os.wait4(process.pid, 0)
        spent_s = time.perf_counter() - began
        if status:
            raise RuntimeError(f"{command} failed with {status}")
        if turn == 0:
            continue
        best_s = min(best_s, spent_s)
        most_mb = max(most_mb, usage.ru_maxrss / (1024.0 if sys.platform != "darwin" else 1024.0**2))
    return best_s, most_mb, out


def main() -> None:
    with tempfile.TemporaryDirectory() as folder:
        rows = []
        for minutes in (10, 30):
            path = Path(folder) / f"{minutes}.wav"
            subprocess.run([sys.executable, __file__, "--write", str(path), str(minutes)], check=True)
            spent_s, memory_mb, out = run(
                [sys.executable, "-m", "cuesync", "measure", str(path), "--json"], folder
            )
            trials = json.loads(out)["trials"]
            rows.append((f"cuesync measure, {minutes} min", 60.0 * minutes / spent_s, spent_s, memory_mb))
            print(
                f"{minutes} min: {len(trials)} trials, {sum(one['pop_s'] is not None for one in trials)} pops"
            )
        ten = str(Path(folder) / "10.wav")
        spent_s, memory_mb, _ = run([sys.executable, "-c", LIBROSA, ten], folder)
        rows.append(("librosa default, 10 min", 600.0 / spent_s, spent_s, memory_mb))
        start_s, start_mb, _ = run([sys.executable, "-c", "import numpy, soundfile"], folder)
        rows.append(("python and numpy alone", float("nan"), start_s, start_mb))
        print(f"{'':26s} {'times real time':>16s} {'seconds':>9s} {'MB':>7s}")
        for name, times, seconds, megabytes in rows:
            print(f"{name:26s} {times:16.0f} {seconds:9.2f} {megabytes:7.0f}")
        print(f"faster than librosa: {rows[2][2] / rows[0][2]:.1f} times")


if __name__ == "__main__":
    if sys.argv[1:2] == ["--write"]:
        write(Path(sys.argv[2]), int(sys.argv[3]))
    else:
        main()
