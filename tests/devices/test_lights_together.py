"""Several light outputs as one."""

from __future__ import annotations

import socket

import pytest

from cuesync.devices.lights_together import LightsPart, LightsTogether
from cuesync.devices.opening import PortSettings, light_output
from cuesync.devices.osc_packets import decode
from cuesync.devices.ports import LightCommand
from cuesync.devices.simulated import SimulatedClock, SimulatedLights
from cuesync.errors import DeviceError


def both() -> tuple[SimulatedLights, SimulatedLights, LightsTogether]:
    notes, network = SimulatedLights(SimulatedClock()), SimulatedLights(SimulatedClock())
    parts = (
        LightsPart(name="midi", lights=("midi:36",), open=lambda: notes, output=notes),
        LightsPart(name="osc", lights=("osc:10.0.0.5:8000/eyes",), open=lambda: network, output=network),
    )
    return notes, network, LightsTogether(parts, lambda light: light.partition(":")[0])


def test_each_light_goes_to_its_own_output() -> None:
    notes, network, together = both()
    together.send(LightCommand(light="midi:36", level=1.0))
    together.send(LightCommand(light="osc:10.0.0.5:8000/eyes", level=0.5))
    assert notes.lit == {"midi:36"}
    assert network.lit == {"osc:10.0.0.5:8000/eyes"}
    together.all_off()
    assert notes.lit == network.lit == set()
    with pytest.raises(DeviceError, match='nothing was opened for the light "dmx:1:1"'):
        together.send(LightCommand(light="dmx:1:1", level=1.0))


def test_a_fault_of_one_leaves_the_others() -> None:
    notes, network, together = both()
    together.send(LightCommand(light="midi:36", level=1.0))
    together.send(LightCommand(light="osc:10.0.0.5:8000/eyes", level=1.0))
    notes.unplug()
    assert not together.alive()
    with pytest.raises(DeviceError, match="unplugged"):
        together.all_off()
    assert network.lit == set()
    together.parts[0].use(None)
    with pytest.raises(DeviceError, match=r"the midi for the light midi:36 is gone\. Plug it in"):
        together.send(LightCommand(light="midi:36", level=1.0))
    together.send(LightCommand(light="osc:10.0.0.5:8000/eyes", level=1.0))
    together.close()
    assert network.lit == set()


def test_whatever_a_driver_raises_leaves_the_others(monkeypatch: pytest.MonkeyPatch) -> None:
    notes, network, together = both()
    together.send(LightCommand(light="osc:10.0.0.5:8000/eyes", level=1.0))

    def fail() -> None:
        raise KeyError("port")

    monkeypatch.setattr(notes, "all_off", fail)
    with pytest.raises(DeviceError, match=r"the midi for midi:36 fails: KeyError\('port'\)"):
        together.all_off()
    assert network.lit == set()


def test_osc_lights_need_no_midi_port() -> None:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as here:
        here.bind(("127.0.0.1", 0))
        here.settimeout(5.0)
        light = f"osc:localhost:{here.getsockname()[1]}/eyes"
        lights = light_output(PortSettings(), SimulatedClock(), [light])
        lights.send(LightCommand(light=light, level=0.5))
        (message,) = decode(here.recv(1000))
        assert (message.address, message.values) == ("/eyes", (0.5,))
        assert lights.alive()
        lights.close()
        assert decode(here.recv(1000))[0].values == (0.0,)
