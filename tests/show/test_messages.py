"""Show control and time code in a show on the simulated clock."""

from __future__ import annotations

from dataclasses import replace

import pytest

from cuesync.devices.show_control import show_control
from cuesync.devices.time_code import RATES, running
from cuesync.plan.plan import Plan, PlannedMessages
from cuesync.show.events import Fault, ScareDone
from cuesync.show.rehearsal import rehearse
from tests.show.plans import plan
from tests.show.simulation import Simulation

GO = show_control("go", gear="lighting", device=1, cue=("1",))
ALL_OFF = show_control("all_off", gear="lighting", device=1)


def command(at_s: float, data: bytes = GO, name: str = "go 1 lighting 1") -> PlannedMessages:
    return PlannedMessages(name=name, at_s=at_s, lands_s=at_s, path_s=0.0, messages=((0.0, data),))


def time_code(until_s: float) -> PlannedMessages:
    messages = running(90_000, RATES["25"], pop_s=0.6, from_s=0.0, until_s=until_s)
    return PlannedMessages(name="time code 25", at_s=0.0, lands_s=0.0, path_s=0.0, messages=messages)


def with_messages(*messages: PlannedMessages, stop: tuple[PlannedMessages, ...] = ()) -> Plan:
    return replace(plan(sounds=(), lights=(), reset_s=4.0), messages=messages, stop_messages=stop)


def test_messages_leave_at_their_times_and_are_told() -> None:
    code = time_code(1.0)
    night = Simulation([with_messages(command(0.2534), code)])
    trigger_s = night.press()
    night.clock.sleep_s(3.0)
    wanted = sorted([(0.2534, GO), *code.messages])
    assert [data for _, data in night.lights.messages] == [data for _, data in wanted]
    assert [at_s - trigger_s for at_s, _ in night.lights.messages] == pytest.approx(
        [at_s for at_s, _ in wanted]
    )
    (done,) = night.all(ScareDone)
    assert [(sent.name, sent.problem) for sent in done.messages] == [
        ("go 1 lighting 1", ""),
        ("time code 25", ""),
    ]
    assert [sent.at_s for sent in done.messages] == pytest.approx([0.2534, 0.0])
    assert all(sent.late_ms == pytest.approx(0.0, abs=1e-6) for sent in done.messages)
    assert "not sent" not in done.text


def test_a_stop_ends_them_and_sends_what_is_meant_for_it_once() -> None:
    stop = (command(0.0, ALL_OFF, "all_off lighting 1"),)
    first = with_messages(time_code(2.0), command(1.5), stop=stop)
    night = Simulation([first, replace(first, title="Attic", contact="key:a")])
    trigger_s = night.press()
    night.clock.sleep_s(0.5)
    night.show.put(lambda: night.show.stop_all("stopped"))
    night.clock.sleep_s(3.0)
    last_s, last = night.lights.messages[-1]
    assert last == ALL_OFF
    assert last_s - trigger_s == pytest.approx(0.5)
    assert [data for _, data in night.lights.messages].count(ALL_OFF) == 1
    assert GO not in [data for _, data in night.lights.messages]
    (done,) = night.all(ScareDone)
    assert {sent.problem for sent in done.messages} == {"stopped"}


def test_a_port_that_is_gone_is_told_and_time_code_goes_on_when_it_is_back() -> None:
    night = Simulation([with_messages(command(0.2), time_code(2.0))])
    night.press()
    night.clock.sleep_s(0.1)
    night.lights.unplug()
    night.clock.sleep_s(0.6)
    night.lights.plug_in()
    before = len(night.lights.messages)
    night.clock.sleep_s(3.0)
    assert len(night.lights.messages) > before + 50
    (done,) = night.all(ScareDone)
    assert done.messages[0].at_s is None
    assert all(sent.problem for sent in done.messages)
    assert "1 of 2 messages to other gear not sent" in done.text
    gone, *_ = night.all(Fault)
    assert gone.text.startswith("the MIDI port for go 1 lighting 1, time code 25 is gone")


def test_the_rehearsal_sends_the_same() -> None:
    code = time_code(1.0)
    rehearsal = rehearse(with_messages(command(0.2534), code), presses=2)
    assert [(sent.name, sent.problem) for sent in rehearsal.messages] == [
        ("go 1 lighting 1", ""),
        ("time code 25", ""),
    ]
    assert [sent.at_s for sent in rehearsal.messages] == pytest.approx([0.2534, 0.0])
