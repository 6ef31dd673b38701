"""How well the hit of a real clip is found, beside general onset detectors.

    python tests/bench/hits.py              all of it, about ten minutes
    python tests/bench/hits.py --quick      every fifth clip
    python tests/bench/hits.py --worst 20   also name the clips where ours is furthest off

**Labels by consensus.** Nobody labelled these clips, so their onsets come from four views that are not ours,
on the louder channel above 80 Hz, with half a second of faint noise (−80 dB) around it: recursive STA/LTA
triggers of 2/100 ms (obspy), backtracked spectral-flux onsets on a grid of 64 samples or less (librosa),
Maeda's AIC within ±50 ms of either (obspy), and the first millisecond within ±50 ms whose rms passes −26 dB
of the largest there, or twice the tenth percentile. Where three of the four lie within 5 ms, their median is
an onset. A clip counts as *one event* where exactly one such onset

* opens the clip's first loud moment: 30 ms within 12 dB of the clip's loudest 30 ms,
* lies at a jump of 12 dB or more from the 30 ms before to the 30 ms after,

and no later 30 ms jump by 10 dB to a loud level again. These have a hit that can be argued about little. All
other clips with an agreed onset (sentences, rhythms, machines) are in a row of their own: the nearest label
counts there, and it need not belong to the event that is the hit.

AIC serves among the four and inside ours, the spectral flux among the four and in the rows of librosa: no row
is wholly independent of the label, and none of the four has it alone.

**Labels by splicing.** Clips that are cut at their very beginning (2 % of the peak is passed at once, and the
first 5 ms are within 20 dB of the loudest) are put behind real ambience at 40, 30 and 20 dB below their
loudest 30 ms. Here the true sample is known.

The detector was tried on one half of the clips only; "held out" is the other half (by a digest of the
samples). Detectors that give many onsets are judged by the nearest one; mir_eval's F-measure counts them all.
Librosa gets a quarter of a second of silence before each clip, because it misses what starts at once.

Needs the Debian packages freedoom, freedink-data and sonic-pi-samples, takes hedgewars-data where it is
installed, and from PyPI librosa, obspy, mir_eval and scipy.
"""

from __future__ import annotations

import argparse
import hashlib
import struct
import sys
import time
import warnings
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import librosa
import mir_eval
import numpy as np
import soundfile
import soxr  # type: ignore[import-untyped]
from numpy.typing import NDArray
from obspy.signal.trigger import aic_simple, recursive_sta_lta, trigger_onset
from scipy.signal import butter, sosfilt

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from cuesync.hearing.hits import Hit, find_hit
from tests import outside

Samples = NDArray[np.float64]

HEDGEWARS = Path("/usr/share/games/hedgewars/Data/Sounds")
LONGEST_S = 12.0
PAD_S = 0.5
NEAR_S = 0.05
AGREE_S = 0.005
LEVEL_S = 0.03
LEAD_S = 0.25


@dataclass(frozen=True, slots=True, kw_only=True)
class RealClip:
    """`samples` of shape (frames, channels); `held_out` is its half."""

    name: str
    samples: Samples
    rate_hz: int
    held_out: bool


def real_clips() -> Iterator[RealClip]:
    """Every different clip of the packages, once."""
    seen: set[str] = set()
    for name, samples, rate_hz in _all_sounds():
        digest = hashlib.sha256(np.ascontiguousarray(samples).tobytes()).hexdigest()
        frames = len(samples)
        if digest in seen or not 200 <= frames <= LONGEST_S * rate_hz or not np.any(samples - samples[0]):
            continue
        seen.add(digest)
        yield RealClip(
            name=name,
            samples=samples.reshape(frames, -1),
            rate_hz=rate_hz,
            held_out=int(digest[8], 16) % 2 == 1,
        )


def _all_sounds() -> Iterator[tuple[str, Samples, int]]:
    for name in outside.lump_names():
        if name.startswith("DS"):
            try:
                samples, rate_hz = outside.lump(name)
            except (ValueError, struct.error):  # a lump for the PC's own loudspeaker
                continue
            yield name, samples[16:-16].astype(np.float64), rate_hz  # 16 bytes of padding at either end
    for package, pattern in (("sonic-pi-samples", "*.flac"), ("freedink-data", "*.wav")):
        for name in outside.names(package, pattern):
            samples, rate_hz = soundfile.read(outside.path(package, name), always_2d=True)
            yield name, samples, int(rate_hz)
    for path in sorted(HEDGEWARS.rglob("*.ogg")):
        samples, rate_hz = soundfile.read(path, always_2d=True)
        yield str(path.relative_to(HEDGEWARS)), samples, int(rate_hz)


# --- labels ---------------------------------------------------------------------------------------------


def consensus_s(clip: RealClip) -> list[float]:
    """Onsets on which at least three of the four views agree, in seconds."""
    rate_hz = clip.rate_hz
    line = clip.samples[:, (clip.samples**2).sum(axis=0).argmax()]
    line = line - np.median(line[: max(int(0.01 * rate_hz), 1)])
    pad = int(PAD_S * rate_hz)
    faint = np.random.default_rng(len(line)).normal(size=len(line) + 2 * pad) * 1e-4 * np.abs(line).max()
    line = sosfilt(butter(2, 80, "high", fs=rate_hz, output="sos"), np.pad(line, pad) + faint)
    ratio = recursive_sta_lta(line, max(int(0.002 * rate_hz), 2), int(0.1 * rate_hz))
    triggers = np.array([on for on, _ in trigger_onset(ratio, 4, 1.5)]) / rate_hz
    flux = _flux_onsets_s(line, rate_hz)
    width = max(int(0.001 * rate_hz), 2)
    rms = np.sqrt(np.convolve(line**2, np.ones(width) / width, "same") + 1e-20)
    found: list[float] = []
    previous_s = -np.inf
    for event_s in sorted({*np.round(triggers, 4), *np.round(flux, 4)}):
        if event_s - previous_s <= 0.03:
            continue
        previous_s = event_s
        window = slice(max(int((event_s - NEAR_S) * rate_hz), 0), int((event_s + NEAR_S) * rate_hz))
        views = [
            _nearest(triggers, event_s),
            _nearest(flux, event_s),
            (window.start + 2 + int(np.argmin(aic_simple(line[window])[2:-2]))) / rate_hz,
            _threshold_s(rms[window], window.start, rate_hz),
        ]
        agreed_s = _agreement_s(np.sort([view for view in views if np.isfinite(view)]))
        if agreed_s is not None and (not found or agreed_s - PAD_S - found[-1] > 0.01):
            found.append(agreed_s - PAD_S)
    return found


def _flux_onsets_s(line: Samples, rate_hz: int) -> Samples:
    hop = 64 if rate_hz > 30000 else 32 if rate_hz > 15000 else 16
    strength = librosa.onset.onset_strength(
        y=line.astype(np.float32), sr=rate_hz, hop_length=hop, n_fft=8 * hop, n_mels=40, fmax=rate_hz / 2
    )
    short, long = int(0.03 * rate_hz / hop), int(0.1 * rate_hz / hop)
    onsets: Samples = librosa.onset.onset_detect(
        onset_envelope=strength,
        sr=rate_hz,
        hop_length=hop,
        backtrack=True,
        units="time",
        pre_max=short,
        post_max=max(short, 1),
        pre_avg=long,
        post_avg=long + 1,
        wait=short,
        delta=0.07,
    )
    return onsets


def _nearest(onsets_s: Samples, event_s: float) -> float:
    if not len(onsets_s):
        return np.nan
    nearest_s = float(onsets_s[np.abs(onsets_s - event_s).argmin()])
    return nearest_s if abs(nearest_s - event_s) < NEAR_S else np.nan


def _threshold_s(rms: Samples, first: int, rate_hz: int) -> float:
    threshold = max(rms.max() * 10 ** (-26 / 20), 2 * np.percentile(rms, 10))
    below = np.flatnonzero(rms[: rms.argmax() + 1] < threshold)
    return float((first + below[-1] + 1) / rate_hz) if len(below) else np.nan


def _agreement_s(views_s: Samples) -> float | None:
    for count in range(len(views_s), 2, -1):
        for first in range(len(views_s) - count + 1):
            group = views_s[first : first + count]
            if group[-1] - group[0] <= AGREE_S:
                return float(np.median(group))
    return None


def one_event_s(clip: RealClip, onsets_s: list[float]) -> float | None:
    """The label of a clip that has one event, or None (see the top of the file)."""
    rate_hz, width = clip.rate_hz, int(LEVEL_S * clip.rate_hz)
    power = ((clip.samples - np.median(clip.samples, axis=0)) ** 2).sum(axis=1)
    total = np.cumsum(np.concatenate([np.zeros(rate_hz + 1), power, np.zeros(rate_hz)]))
    level = (total[width:] - total[:-width]) / width
    largest = level.max()
    level += 1e-8 * largest
    loud = largest * 10**-1.2
    first_loud = int(np.flatnonzero(level >= loud)[0])
    opening = []
    for onset_s in onsets_s:
        at = int((onset_s + 1) * rate_hz)
        jumps = level[at] >= loud and level[at] / level[at - width] >= 10**1.2
        if jumps and abs(first_loud - at) <= width:
            opening.append(onset_s)
    if len(opening) != 1:
        return None
    later = np.arange(
        int((opening[0] + 1 + 0.05) * rate_hz), len(level) - width, max(int(0.001 * rate_hz), 1)
    )
    again = (level[later] >= loud) & (level[later] / level[later - width] >= 10)
    return None if again.any() else opening[0]


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """A clip with its labels; more than one where several answers would be right."""

    clip: RealClip
    truths_s: tuple[float, ...]


def consensus_cases(clips: list[RealClip]) -> tuple[list[Case], list[Case]]:
    """Clips with one event, and all others on whose onsets the views agree."""
    single, several = [], []
    for clip in clips:
        onsets_s = consensus_s(clip)
        truth_s = one_event_s(clip, onsets_s)
        if truth_s is not None:
            single.append(Case(clip=clip, truths_s=(truth_s,)))
        elif onsets_s:
            several.append(Case(clip=clip, truths_s=tuple(onsets_s)))
    return single, several


def spliced_cases(clips: list[RealClip], below_db: float) -> list[Case]:
    """Sharply cut clips behind real ambience; the truth is the sample where they were put."""
    ambience = [
        outside.sound("sonic-pi-samples", f"{name}.flac") for name in ("vinyl_hiss", "loop_3d_printer")
    ]
    ambience.append(outside.lump("DSSAWIDL"))
    cases = []
    for number, clip in enumerate(clips):
        start = _sharp_start(clip)
        if start is None:
            continue
        rate_hz = clip.rate_hz
        line = clip.samples[start:].sum(axis=1)
        sound, noise_rate_hz = ambience[number % len(ambience)]
        noise = sound.reshape(len(sound), -1)[:, 0].astype(np.float64)
        noise = soxr.resample(noise - noise.mean(), noise_rate_hz, rate_hz, quality="VHQ")
        before = rate_hz // 2 + number % 977
        bed = np.resize(noise, before + len(line))
        width = int(LEVEL_S * rate_hz)
        loudest = np.sqrt(np.convolve(line**2, np.ones(width) / width)[: len(line)].max())
        bed *= loudest * 10 ** (-below_db / 20) / np.sqrt(np.mean(bed**2))
        bed[before:] += line
        spliced = RealClip(
            name=clip.name, samples=bed[:, None] / np.abs(bed).max(), rate_hz=rate_hz, held_out=clip.held_out
        )
        cases.append(Case(clip=spliced, truths_s=(before / rate_hz,)))
    return cases


def _sharp_start(clip: RealClip) -> int | None:
    line = clip.samples.sum(axis=1)
    width = int(0.005 * clip.rate_hz)
    passed = np.flatnonzero(np.abs(line) >= 0.02 * np.abs(line).max())
    start = int(passed[0])
    rms = np.sqrt(np.convolve(line**2, np.ones(width) / width)[width - 1 :])
    sharp = start < 0.002 * clip.rate_hz and start < len(rms) and rms[start] >= 0.1 * rms.max()
    return start if sharp else None


# --- detectors ------------------------------------------------------------------------------------------

Detector = Callable[[RealClip], Samples]


def ours(clip: RealClip) -> Samples:
    return np.array([find_hit(clip.samples, clip.rate_hz).onset_s])


def with_lead(clip: RealClip) -> NDArray[np.float32]:
    """Mono, behind LEAD_S of silence."""
    line: NDArray[np.float32] = clip.samples.mean(axis=1).astype(np.float32)
    return np.pad(line, (round(LEAD_S * clip.rate_hz), 0))


def librosa_default(clip: RealClip) -> Samples:
    onsets: Samples = librosa.onset.onset_detect(y=with_lead(clip), sr=clip.rate_hz, units="time")
    return onsets - LEAD_S


def librosa_backtracked(clip: RealClip) -> Samples:
    onsets: Samples = librosa.onset.onset_detect(
        y=with_lead(clip), sr=clip.rate_hz, units="time", backtrack=True
    )
    return onsets - LEAD_S


def librosa_superflux(clip: RealClip) -> Samples:
    """The settings of librosa's own example for SuperFlux (Böck & Widmer 2013)."""
    rate_hz = clip.rate_hz
    hop = round(rate_hz / 200)
    bands = librosa.feature.melspectrogram(
        y=with_lead(clip),
        sr=rate_hz,
        n_fft=1024,
        hop_length=hop,
        fmin=27.5,
        fmax=min(16000, rate_hz / 2),
        n_mels=138,
    )
    strength = librosa.onset.onset_strength(
        S=librosa.power_to_db(bands, ref=np.max), sr=rate_hz, hop_length=hop, lag=2, max_size=3
    )
    onsets: Samples = librosa.onset.onset_detect(
        onset_envelope=strength, sr=rate_hz, hop_length=hop, units="time"
    )
    return onsets - LEAD_S


DETECTORS: dict[str, Detector] = {
    "ours": ours,
    "librosa": librosa_default,
    "librosa, backtracked": librosa_backtracked,
    "SuperFlux (librosa)": librosa_superflux,
}


# --- report ---------------------------------------------------------------------------------------------


def errors_s(cases: list[Case], detector: Detector) -> tuple[Samples, list[Samples], float]:
    """Signed error of the nearest onset (infinite for none), all onsets, and seconds of processor time."""
    started_s = time.process_time()
    found = [detector(case.clip) for case in cases]
    spent_s = time.process_time() - started_s
    nearest = [_least(onsets[:, None] - case.truths_s) for case, onsets in zip(cases, found, strict=True)]
    return np.array(nearest), found, spent_s


def _least(differences_s: Samples) -> float:
    flat = differences_s.ravel()
    return float(flat[np.abs(flat).argmin()]) if len(flat) else np.inf


def f_measure(cases: list[Case], found: list[Samples], window_s: float) -> float:
    # mir_eval wants no times below zero, and a detector may give some
    scores = [
        mir_eval.onset.f_measure(np.array(case.truths_s) + 1, np.sort(onsets) + 1, window_s)[0]
        for case, onsets in zip(cases, found, strict=True)
    ]
    return float(np.mean(scores))


def table(title: str, cases: list[Case]) -> None:
    length_s = sum(len(case.clip.samples) / case.clip.rate_hz for case in cases)
    print(f"\n{title}: {len(cases)} clips, {length_s:.0f} s")
    print(
        f"  {'':22} {'median':>8} {'90th':>8} {'mean':>8} {'<1 ms':>6} {'<5 ms':>6} {'<50 ms':>6}"
        f" {'F ±50':>6} {'F ±5':>6} {'× real time':>11}"
    )
    for name, detector in DETECTORS.items():
        error, found, spent_s = errors_s(cases, detector)
        size_ms = 1e3 * np.abs(error)
        near = np.abs(error) < NEAR_S
        shares = " ".join(f"{100 * np.mean(size_ms < limit_ms):5.1f}%" for limit_ms in (1, 5, 50))
        scores = " ".join(f"{f_measure(cases, found, window_s):6.3f}" for window_s in (0.05, 0.005))
        print(
            f"  {name:22} {np.median(size_ms):6.2f}ms {np.percentile(size_ms, 90):6.1f}ms"
            f" {1e3 * error[near].mean():+6.2f}ms {shares} {scores} {length_s / spent_s:10.0f}×"
        )


def rates(clips: list[RealClip]) -> None:
    """What resampling moves, in samples of the lower rate."""
    moved = []
    for clip in clips:
        other_hz = 48000 if clip.rate_hz != 48000 else 44100
        one = find_hit(clip.samples, clip.rate_hz)
        other = find_hit(soxr.resample(clip.samples, clip.rate_hz, other_hz, quality="VHQ"), other_hz)
        lower_hz = min(clip.rate_hz, other_hz)
        moved.append([abs(b - a) * lower_hz for a, b in zip(_three(one), _three(other), strict=True)])
    print(
        f"\nresampled to 48 kHz (or from it to 44.1), {len(clips)} clips: moved, in samples of the lower rate"
    )
    for name, column in zip(("onset", "attack", "peak"), np.array(moved).T, strict=True):
        print(
            f"  {name:7} median {np.median(column):5.2f}   within one {100 * np.mean(column <= 1.01):5.1f}%"
            f"   95th percentile {np.percentile(column, 95):7.1f}"
        )


def _three(hit: Hit) -> tuple[float, float, float]:
    return hit.onset_s, hit.attack_s, hit.peak_s


def answers(clips: list[RealClip]) -> None:
    hits = [find_hit(clip.samples, clip.rate_hz) for clip in clips]
    print(f"\nwhat auto says of {len(hits)} clips:")
    for kind in ("onset", "attack", "peak"):
        print(f"  {kind:7} {sum(hit.clear and hit.kind == kind for hit in hits):5}")
    print(f"  unclear {sum(not hit.clear for hit in hits):5}")


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--quick", action="store_true", help="every fifth clip")
    parser.add_argument("--worst", type=int, default=0, metavar="N", help="name the N clips furthest off")
    options = parser.parse_args()
    warnings.simplefilter("ignore")
    clips = list(real_clips())[:: 5 if options.quick else 1]
    if not HEDGEWARS.is_dir():
        print("without hedgewars-data (sudo apt-get install --no-install-recommends hedgewars-data)")
    print(f"{len(clips)} clips, {sum(clip.held_out for clip in clips)} of them held out")
    single, several = consensus_cases(clips)
    for held_out, half in ((False, "tried on"), (True, "held out")):
        table(f"consensus, {half}", [case for case in single if case.clip.held_out == held_out])
    table("not one event, nearest label, held out", [case for case in several if case.clip.held_out])
    unseen = [clip for clip in clips if clip.held_out]
    for below_db in (40, 30, 20):
        table(f"spliced, ambience {below_db} dB below, held out", spliced_cases(unseen, below_db))
    rates(clips[:: 1 if options.quick else 4])
    answers(clips)
    if options.worst:
        error, _, _ = errors_s(single, ours)
        for index in np.abs(error).argsort()[::-1][: options.worst]:
            clip, truth_s = single[index].clip, single[index].truths_s[0]
            half = "held out" if clip.held_out else "tried on"
            print(f"  {1e3 * error[index]:+8.1f} ms  {clip.name}  ({half}, label {truth_s:.4f} s)")


if __name__ == "__main__":
    main()
