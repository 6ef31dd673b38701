"""Choosing a sound card or a MIDI port by name, and what is said where that fails."""

from __future__ import annotations

import sys
from dataclasses import replace

import pytest

from cuesync.devices import list_devices, midi, sound_cards
from cuesync.devices.midi import MidiPort, choose_port
from cuesync.devices.sound_cards import SoundDevice, choose_device, choose_loudspeaker
from cuesync.errors import DeviceError

CARD = SoundDevice(
    name="Stage box",
    host_api="ALSA",
    inputs=2,
    outputs=4,
    rate_hz=48000,
    output_latency_s=0.01,
    input_latency_s=0.01,
    default_output=False,
    default_input=False,
)
BUILT_IN = replace(CARD, name="Built-in", outputs=2, default_output=True, default_input=True)
SAME_BY_OTHER = replace(CARD, host_api="JACK")
HEADSET = replace(CARD, name="Headset", inputs=1, outputs=0)


def test_none_is_the_default_card() -> None:
    assert choose_device((CARD, BUILT_IN), None, inputs=0, outputs=2) == 1


def test_a_part_of_the_name_will_do_where_it_is_clear() -> None:
    assert choose_device((BUILT_IN, CARD, HEADSET), "stage", inputs=0, outputs=2) == 1
    assert choose_device((CARD, SAME_BY_OTHER), "Stage box / JACK", inputs=0, outputs=2) == 1


def test_the_chirp_comes_from_the_loudspeaker_that_the_show_would_use() -> None:
    microphone = replace(CARD, name="USB microphone", inputs=1, outputs=2)
    assert choose_loudspeaker((microphone, BUILT_IN), 0, None, 1) == 1
    assert choose_loudspeaker((microphone, BUILT_IN), 0, "usb", 1) == 0
    # another system's default can't be opened together with this microphone
    assert choose_loudspeaker((microphone, replace(BUILT_IN, host_api="JACK")), 0, None, 1) == 0
    with pytest.raises(DeviceError, match="no sound card that can play"):
        choose_loudspeaker((HEADSET, replace(BUILT_IN, host_api="JACK")), 0, None, 1)


def test_the_option_that_is_meant_is_named() -> None:
    several = (replace(CARD, name="A"), replace(CARD, name="B"))
    with pytest.raises(DeviceError, match="Say which with --microphone"):
        choose_device(several, None, inputs=1, outputs=0, option="--microphone")


def test_an_exact_name_wins_over_a_part() -> None:
    longer = replace(CARD, name="Stage box 2")
    assert choose_device((longer, CARD), "stage box", inputs=0, outputs=2) == 1


@pytest.mark.parametrize(
    ("devices", "wanted", "inputs", "outputs", "message"),
    [
        (
            (),
            None,
            0,
            2,
            r"no sound card that can play \(2 outputs wanted\)\. Plug one in.* cuesync rehearse SCENE",
        ),
        ((), None, 1, 0, r"no sound card that can record \(1 input wanted\)\. .* cuesync measure RECORDING"),
        ((CARD,), None, 0, 6, r"6 outputs wanted\)\. The most any device has is 4 outputs"),
        (
            (CARD, SAME_BY_OTHER),
            "stage",
            0,
            2,
            r'"stage" could be any of "Stage box / ALSA", "Stage box / JACK"\.',
        ),
        ((CARD,), "nowhere", 0, 2, r'is called "nowhere"\. There are: "Stage box / ALSA"\.'),
        ((HEADSET, CARD), "headset", 0, 2, r'can play is called "headset"'),
        ((CARD, SAME_BY_OTHER), None, 0, 2, r"no default sound card can play\. Say which with --device"),
    ],
)
def test_what_can_not_be_chosen_is_said(
    devices: tuple[SoundDevice, ...], wanted: str | None, inputs: int, outputs: int, message: str
) -> None:
    with pytest.raises(DeviceError, match=message):
        choose_device(devices, wanted, inputs=inputs, outputs=outputs)


PORTS = [
    MidiPort(name="Pads 20:0", system="ALSA", index=0),
    MidiPort(name="Pads 20:0", system="JACK", index=0),
    MidiPort(name="Lamp 24:0", system="ALSA", index=1),
]


def test_a_midi_port_by_a_part_of_its_name() -> None:
    assert choose_port(PORTS, "lamp", "out") == PORTS[2]
    assert choose_port(PORTS, "Pads 20:0 / JACK", "in") == PORTS[1]
    assert choose_port(PORTS[:1], None, "in") == PORTS[0]


@pytest.mark.parametrize(
    ("ports", "wanted", "message"),
    [
        ([], None, r"no MIDI port to listen to\. Plug the interface in"),
        (PORTS, None, r"several MIDI ports\. Say which with --midi-in"),
        (PORTS, "pads", r'"pads" could be any of "Pads 20:0 / ALSA", "Pads 20:0 / JACK"'),
        (PORTS, "drum", r'no MIDI port is called "drum"\. There are:'),
    ],
)
def test_what_midi_port_can_not_be_chosen_is_said(
    ports: list[MidiPort], wanted: str | None, message: str
) -> None:
    with pytest.raises(DeviceError, match=message):
        choose_port(ports, wanted, "in")


def test_without_the_midi_packages_the_sentence_says_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "rtmidi", None)
    with pytest.raises(DeviceError, match=r'pip install "cuesync\[midi\]"'):
        midi.MidiLights()
    found = list_devices()
    assert found.midi_inputs == ()
    assert 'pip install "cuesync[midi]"' in found.no_midi_inputs


def test_without_portaudio_the_sentence_says_what_to_do(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "sounddevice", None)
    monkeypatch.setattr(sys, "platform", "linux")
    with pytest.raises(
        DeviceError, match=r"PortAudio is not installed.*libportaudio2.*cuesync rehearse SCENE"
    ):
        sound_cards.sound_devices()
    found = list_devices()
    assert found.sound_outputs == ()
    assert "PortAudio is not installed" in found.no_sound_outputs
