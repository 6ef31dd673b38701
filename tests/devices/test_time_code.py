"""MIDI time code: vectors of the specification, the `timecode` package's counting, mido's reading."""

from __future__ import annotations

from math import isclose

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cuesync.devices.time_code import (
    FULL_FRAME_S,
    RATES,
    FrameRate,
    full_frame,
    hmsf,
    parsed,
    quarter_frame,
    running,
)
from cuesync.errors import InputError
from tests import peers

ALL_RATES = st.sampled_from(list(RATES.values()))


def test_a_full_frame_has_the_bytes_of_the_standard() -> None:
    # MIDI time code, worked example: 01:30:35:20 at 30 frames a second
    rate = RATES["30"]
    assert full_frame(parsed("01:30:35:20", rate), rate) == bytes.fromhex("F07F7F0101611E2314F7")


def test_quarter_frames_go_from_frames_to_hours_low_nibble_first() -> None:
    # MIDI 1.0, system common F1: 0nnn dddd. 23:45:06:19 at 25 (type 1): 13h, 06h, 2Dh, 17h | 1 << 5 = 37h
    rate = RATES["25"]
    frame = parsed("23:45:06:19", rate)
    pieces = b"".join(quarter_frame(frame, piece, rate) for piece in range(8))
    assert pieces == bytes.fromhex("F103 F111 F126 F130 F14D F152 F167 F173")


@pytest.mark.parametrize(("name", "code"), [("24", 0), ("25", 1), ("29.97df", 2), ("30", 3)])
def test_the_rate_is_told_in_two_bits(name: str, code: int) -> None:
    rate = RATES[name]
    assert full_frame(0, rate)[5] == code << 5
    assert quarter_frame(0, 7, rate)[1] == 0x70 | code << 1


@pytest.mark.parametrize(
    ("text", "frame"),
    [
        # SMPTE ST 12-1 (from memory): two numbers are left out each minute, but not each tenth
        ("00:00:59:29", 1799),
        ("00:01:00:02", 1800),
        ("00:09:59:29", 17981),
        ("00:10:00:00", 17982),
        ("01:00:00:00", 107_892),
        ("23:59:59:29", 2_589_407),
    ],
)
def test_drop_frame_numbers(text: str, frame: int) -> None:
    rate = RATES["29.97df"]
    assert parsed(text, rate) == frame
    assert hmsf(frame, rate) == tuple(int(part) for part in text.split(":"))
    assert hmsf(frame + rate.frames_in_a_day, rate) == hmsf(frame, rate)


@given(rate=ALL_RATES, day=st.floats(0, 1, exclude_max=True))
def test_frames_are_counted_as_the_timecode_package_counts(rate: FrameRate, day: float) -> None:
    package = peers.module("timecode")
    frame = int(day * rate.frames_in_a_day)
    theirs = package.Timecode(rate.name.removesuffix("df"), frames=frame + 1)  # it counts from 1
    numbers = (theirs.hrs, theirs.mins, theirs.secs, theirs.frs)
    assert hmsf(frame, rate) == numbers
    assert parsed("{:02}:{:02}:{:02}:{:02}".format(*numbers), rate) == frame


@pytest.mark.parametrize(
    ("text", "name"),
    [
        ("01:00:00", "25"),
        ("24:00:00:00", "25"),
        ("00:60:00:00", "25"),
        ("00:00:60:00", "25"),
        ("00:00:00:25", "25"),
        ("00:00:00:24", "24"),
        ("1:00:00:00", "25"),
        ("٠١:00:00:00", "25"),
        ("00:01:00:00", "29.97df"),
        ("00:11:00;01", "29.97df"),
    ],
)
def test_what_is_no_time_is_refused(text: str, name: str) -> None:
    with pytest.raises(InputError, match=text):
        parsed(text, RATES[name])


@given(
    rate=ALL_RATES,
    day=st.floats(0, 1, exclude_max=True),
    pop_s=st.floats(-20, 20),
    from_s=st.floats(0, 2),
    length_s=st.floats(0.3, 1.5),
)
def test_what_runs_says_the_right_time_at_the_right_moment(
    rate: FrameRate, day: float, pop_s: float, from_s: float, length_s: float
) -> None:
    mido = peers.module("mido")
    pop_frame = int(day * rate.frames_in_a_day)
    until_s = from_s + length_s
    (full_s, full), *quarters = running(pop_frame, rate, pop_s=pop_s, from_s=from_s, until_s=until_s)
    (located,) = mido.parse_all(full)
    assert located.type == "sysex"
    assert full_s == from_s
    assert quarters[0][0] >= from_s + FULL_FRAME_S
    assert until_s - 1 / (4 * rate.rate_hz) - 1e-6 <= quarters[-1][0] <= until_s + 1e-6
    nibbles: list[int] = []
    for number, (at_s, data) in enumerate(quarters):
        (message,) = mido.parse_all(data)
        assert message.type == "quarter_frame"
        assert message.frame_type == number % 8
        assert isclose(at_s - quarters[0][0], number / (4 * rate.rate_hz), abs_tol=1e-6)
        nibbles.append(message.frame_value)
    for place in range(0, len(nibbles) - 7, 8):
        frames, seconds, minutes, hours = (
            nibbles[place + pair] | nibbles[place + pair + 1] << 4 for pair in (0, 2, 4, 6)
        )
        told = (hours & 0x1F, minutes, seconds, frames)
        if place == 0:
            assert (located.data[4] & 0x1F, *located.data[5:8]) == told
        assert hours >> 5 == rate.code
        assert (
            frames % 2 == 0 or rate.numbers % 2
        )  # even frames at 24, 29.97 and 30 (MIDI time code, from memory)
        frame = pop_frame + round((quarters[place][0] - pop_s) * rate.rate_hz)
        assert hmsf(frame, rate) == told
        # and the moment is that frame's, to the rounding of a float
        assert isclose((frame - pop_frame) / rate.rate_hz, quarters[place][0] - pop_s, abs_tol=1e-6)


def test_nothing_runs_where_no_whole_time_fits() -> None:
    rate = RATES["25"]
    # the first even frame after the full frame of 3.2 ms is frame 2 at 80 ms; eight quarters end 70 ms later
    assert running(0, rate, pop_s=0.0, from_s=0.0, until_s=0.149) == ()
    assert len(running(0, rate, pop_s=0.0, from_s=0.0, until_s=0.1501)) == 9
