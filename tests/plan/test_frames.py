"""How much later than planned lights on DMX come, because their universe goes out in frames."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cuesync.devices.fixtures import FRAME_S
from cuesync.plan.frames import packet_waits_s
from tests.plan.test_resolve import plan_of, scene


def flash(light: str, at_ms: float = 0) -> str:
    return f'[[flash]]\nat_ms = {at_ms}\nlength_ms = 100\nlight = "{light}"\n'


def waits_ms(folder: Path, text: str) -> dict[str, float]:
    plan = plan_of(folder, scene(flash=text))
    return {light.light: round(light.frame_wait_s * 1000.0, 3) for light in plan.lights}


def test_a_light_alone_waits_for_one_frame(tmp_path: Path) -> None:
    """A frame is 22.676 ms (ANSI E1.11: 513 slots of 44 µs, 92 µs break, 12 µs mark)."""
    assert waits_ms(tmp_path, flash("dmx:1:1") + flash("midi:36")) == {"dmx:1:1": 22.676, "midi:36": 0.0}


def test_more_changes_than_may_go_out_at_once_wait_for_one_more(tmp_path: Path) -> None:
    waits_s = packet_waits_s([(0.5, light) for light in range(6)])
    assert [waits_s[light] for light in range(6)] == pytest.approx([0.0] * 4 + [FRAME_S] * 2)
    six = "".join(flash(f"dmx:1:{slot}") for slot in range(1, 7)) + flash("dmx:2:1")
    waits = waits_ms(tmp_path, six)
    assert (waits["dmx:1:1"], waits["dmx:1:6"], waits["dmx:2:1"]) == (22.676, 45.352, 22.676)
    assert (
        "dmx:1:6: a light on the network waits for the next DMX frame and comes up to 45.4 ms later than "
        "planned, as many changes in its universe come close together; nothing is taken off for that"
    ) in plan_of(tmp_path, scene(flash=six)).remarks


def test_a_fixture_counts_for_its_universe_and_as_one_change(tmp_path: Path) -> None:
    wash = '[[fixture]]\nname = "wash"\nuniverse = 3\nstart_slot = 1\nchannels = ["red", "green", "blue"]\n'
    others = "".join(flash(f"dmx:3:{slot}") for slot in range(10, 14))
    waits = waits_ms(tmp_path, wash + flash("fixture:wash") + others)
    assert waits["fixture:wash"] == 22.676
    assert waits["dmx:3:13"] == 45.352


def test_two_fades_side_by_side_share_the_packets() -> None:
    steps = [(k * FRAME_S, light) for k in range(50) for light in (0, 1)]
    waits_s = packet_waits_s(steps)
    assert waits_s[0] <= FRAME_S + 1e-9
    assert waits_s[1] <= FRAME_S + 1e-9
    assert packet_waits_s([(k * FRAME_S, 0) for k in range(50)]) == pytest.approx({0: 0.0}, abs=1e-9)


times_s = st.integers(0, 3000).map(lambda ms: ms / 1000.0)


@given(st.lists(st.tuples(times_s, st.integers(0, 3)), max_size=60))
def test_no_change_waits_longer_than_a_frame(changes_s: list[tuple[float, int]]) -> None:
    waits_s = packet_waits_s(changes_s)
    assert waits_s.keys() == {light for _, light in changes_s}
    assert all(-1e-9 <= wait_s <= FRAME_S + 1e-9 for wait_s in waits_s.values())
