"""One holder count a light, and no light left on."""

from __future__ import annotations

import pytest

from cuesync.devices import midi
from cuesync.devices.ports import LightCommand
from cuesync.devices.simulated import SimulatedClock
from cuesync.errors import DeviceError
from tests.show.plans import light, plan
from tests.show.simulation import Simulation


@pytest.mark.parametrize("stops", [False, True])
def test_a_light_whose_port_drops_in_mid_flash_is_off_when_the_port_is_back(stops: bool) -> None:
    night = Simulation([plan(sounds=(), lights=(light(0.1, 0.9),))])
    night.press()
    night.clock.sleep_s(0.3)
    night.lights.unplug()
    night.clock.sleep_s(0.3)
    if stops:
        night.show.put(lambda: night.show.stop_all("stopped"))
    night.clock.sleep_s(1.4)
    assert night.lights.lit == {"midi:36"}  # it never heard of the end
    night.lights.plug_in()
    night.clock.sleep_s(0.5)
    assert night.lights.lit == set()


def test_one_light_written_in_two_ways_stays_on_until_the_last_flash_ends() -> None:
    flashes = (light(0.1, 0.2, "midi:36"), light(0.2, 0.3, "midi:1:36"))
    night = Simulation([plan(sounds=(), lights=flashes)])
    trigger_s = night.press()
    night.clock.sleep_s(2.0)
    sent = [(command.light, command.on, round(at_s - trigger_s, 6)) for at_s, command in night.lights.sent]
    assert sent == [("midi:36", True, 0.1), ("midi:36", False, 0.5)]


class Client:
    """As rtmidi's output; refuses the note 36."""

    def __init__(self) -> None:
        self.sent: list[list[int]] = []

    def send_message(self, data: list[int]) -> None:
        if data[1] == 36:
            raise RuntimeError("no room")
        self.sent.append(data)


def test_one_light_that_fails_leaves_no_other_on(monkeypatch: pytest.MonkeyPatch) -> None:
    pytest.importorskip("mido")

    class Port:
        name = "lamp"
        there = True
        client = Client()

        def __init__(self, *_: object) -> None:
            pass

    monkeypatch.setattr(midi, "_Port", Port)
    lights = midi.MidiLights(clock=SimulatedClock())
    with pytest.raises(DeviceError):
        lights.send(LightCommand(light="midi:36", level=1.0))
    lights.send(LightCommand(light="midi:37", level=1.0))
    with pytest.raises(DeviceError, match="no room"):
        lights.all_off()
    assert Port.client.sent[-1] == [0x80, 37, 0]
