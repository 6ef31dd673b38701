"""`cuesync devices`: the latency that it prints is the one that a show is planned with."""

from __future__ import annotations

import json
from typing import Any

import pytest
from click.testing import CliRunner

from cuesync import devices
from cuesync.cli import cuesync
from cuesync.devices import DeviceList, portaudio
from cuesync.devices.sound_cards import SoundDevice
from cuesync.errors import DeviceError


def card(name: str, *, usual: bool) -> SoundDevice:
    return SoundDevice(
        name=name,
        host_api="ALSA",
        inputs=0,
        outputs=2,
        rate_hz=48000,
        output_latency_s=0.0107,
        input_latency_s=0.0,
        default_output=usual,
        default_input=False,
    )


class Stream:
    """A stream of 5.3 ms on whatever is named; `opened` has the names, closed again or not."""

    opened: dict[str, bool]

    def __init__(self, wanted: str, *, channels: int) -> None:
        assert channels == 2
        self.name = wanted
        self.latency_s = 0.0053
        Stream.opened[wanted] = True

    def stop(self) -> None:
        Stream.opened[self.name] = False


@pytest.fixture
def listed(monkeypatch: pytest.MonkeyPatch) -> None:
    found = DeviceList(
        sound_outputs=(card("Built-in", usual=True), card("USB", usual=False)),
        sound_inputs=(),
        midi_inputs=(),
        midi_outputs=(),
        no_sound_outputs="",
        no_sound_inputs="none",
        no_midi_inputs="none",
        no_midi_outputs="none",
    )
    Stream.opened = {}
    monkeypatch.setattr(devices, "list_devices", lambda: found)
    monkeypatch.setattr(portaudio, "PortAudioOutput", Stream)


@pytest.mark.usefixtures("listed")
def test_the_latency_is_that_of_a_stream_and_no_other_card_is_opened() -> None:
    done = CliRunner().invoke(cuesync, ["devices"], catch_exceptions=False)
    assert (
        '"Built-in / ALSA": 2 outputs at 48000 Hz, latency 5.3 ms as reported, used when none is named'
        in done.stdout
    )
    assert '"USB / ALSA": 2 outputs at 48000 Hz\n' in done.stdout
    assert Stream.opened == {"Built-in / ALSA": False}
    outputs = json.loads(CliRunner().invoke(cuesync, ["devices", "--json"]).stdout)["sound_outputs"]
    assert [output["output_latency_s"] for output in outputs] == [0.0053, None]


@pytest.mark.usefixtures("listed")
def test_a_card_that_is_in_use_is_listed_all_the_same(monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: Any, **__: Any) -> None:
        raise DeviceError("in use")

    monkeypatch.setattr(portaudio, "PortAudioOutput", refuse)
    done = CliRunner().invoke(cuesync, ["devices"], catch_exceptions=False)
    assert "2 outputs at 48000 Hz, latency not known, as it can't be opened now, used when" in done.stdout
