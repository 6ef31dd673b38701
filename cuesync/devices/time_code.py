"""MIDI time code: full frames and quarter frames, at the four rates of the MIDI 1.0 specification. Pure.

Frames are counted from 00:00:00:00 and go round after 24 hours. At 29.97 frames a second the numbers 00 and
01 are left out at the start of each minute but every tenth ("drop frame", SMPTE ST 12-1), so that the numbers
keep pace with the clock on the wall.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from math import ceil, floor

from cuesync.errors import InputError

PIECES = 8
"""Quarter frames that hold one time between them; they take two frames."""
BYTE_S = 320e-6
"""One byte on a MIDI cable (31.25 kBd, ten bits a byte)."""
FULL_FRAME_S = 10 * BYTE_S


@dataclass(frozen=True, slots=True, kw_only=True)
class FrameRate:
    """`code`: its two bits in the messages; `numbers`: frame numbers in a second, of which `rate_hz` pass."""

    name: str
    code: int
    numbers: int
    rate_hz: float
    drop: bool = False

    @property
    def frames_in_a_day(self) -> int:
        return self.numbers * 86_400 - (2 * (1440 - 144) if self.drop else 0)


RATES = {
    rate.name: rate
    for rate in (
        FrameRate(name="24", code=0, numbers=24, rate_hz=24.0),
        FrameRate(name="25", code=1, numbers=25, rate_hz=25.0),
        FrameRate(name="29.97df", code=2, numbers=30, rate_hz=30_000 / 1001, drop=True),
        FrameRate(name="30", code=3, numbers=30, rate_hz=30.0),
    )
}


def parsed(text: str, rate: FrameRate) -> int:
    """ "HH:MM:SS:FF" as a count of frames. InputError for what is no time, or a frame that is left out."""
    found = re.fullmatch(r"(\d\d):(\d\d):(\d\d)[:;](\d\d)", text, re.ASCII)
    numbers = [int(part) for part in found.groups()] if found else [99, 0, 0, 0]
    hours, minutes, seconds, frames = numbers
    if hours > 23 or minutes > 59 or seconds > 59 or frames >= rate.numbers:
        raise InputError(
            f'"{text}" is no time code. Write hours, minutes, seconds and frames (0 to {rate.numbers - 1} at '
            f'{rate.name}), as in "01:00:00:00".'
        )
    if rate.drop and minutes % 10 and not seconds and frames < 2:
        raise InputError(
            f'"{text}" is left out at {rate.name}: frames 00 and 01 are missing at the start of this minute. '
            "Write frame 02."
        )
    whole_minutes = hours * 60 + minutes
    count = (whole_minutes * 60 + seconds) * rate.numbers + frames
    return count - 2 * (whole_minutes - whole_minutes // 10) if rate.drop else count


def hmsf(frame: int, rate: FrameRate) -> tuple[int, int, int, int]:
    """Hours, minutes, seconds and frames of a count of frames."""
    count = frame % rate.frames_in_a_day
    if rate.drop:
        tens, rest = divmod(count, 10 * 60 * 30 - 18)
        count += 18 * tens + 2 * max(0, (rest - 2) // (60 * 30 - 2))
    seconds, frames = divmod(count, rate.numbers)
    return seconds // 3600, seconds // 60 % 60, seconds % 60, frames


def full_frame(frame: int, rate: FrameRate) -> bytes:
    """Sets all who listen to this time: `F0 7F 7F 01 01 hr mn sc fr F7`, the rate in bits 5 and 6 of `hr`."""
    hours, minutes, seconds, frames = hmsf(frame, rate)
    return bytes([0xF0, 0x7F, 0x7F, 0x01, 0x01, rate.code << 5 | hours, minutes, seconds, frames, 0xF7])


def quarter_frame(frame: int, piece: int, rate: FrameRate) -> bytes:
    """Piece 0 to 7 of a time: `F1 0nnn dddd`, low nibble first, from frames to hours.

    All eight hold the time at piece 0.
    """
    hours, minutes, seconds, frames = hmsf(frame, rate)
    value = (frames, seconds, minutes, rate.code << 5 | hours)[piece // 2]
    return bytes([0xF1, piece << 4 | (value >> 4 if piece % 2 else value & 0x0F)])


def shortest_s(rate: FrameRate) -> float:
    """However frames and trigger fall together, `running` fits a whole time into so long a stretch."""
    return FULL_FRAME_S + (2.0 + (PIECES - 1) / 4.0) / rate.rate_hz


def running(
    pop_frame: int, rate: FrameRate, *, pop_s: float, from_s: float, until_s: float
) -> tuple[tuple[float, bytes], ...]:
    """The messages with their times: a full frame at `from_s`, then quarter frames until `until_s`.

    `pop_s` is the moment of `pop_frame`. The quarter frames begin with piece 0 on an even frame, once the
    full frame has had time to pass a MIDI cable; the full frame holds the time of that one. Empty where not a
    single whole time fits.
    """
    first = pop_frame + ceil((from_s + FULL_FRAME_S - pop_s) * rate.rate_hz)
    first += first % 2
    begin_s = pop_s + (first - pop_frame) / rate.rate_hz
    count = floor((until_s - begin_s) * 4.0 * rate.rate_hz) + 1
    if count < PIECES:
        return ()
    quarters = (
        (
            begin_s + number / (4.0 * rate.rate_hz),
            quarter_frame(first + 2 * (number // PIECES), number % PIECES, rate),
        )
        for number in range(count)
    )
    return ((from_s, full_frame(first, rate)), *quarters)
