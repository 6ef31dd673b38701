"""Fixtures for the tests of the show."""

from __future__ import annotations

import os
from collections.abc import Iterator

import pytest

from tests.show import jackserver

REQUIRED = "CUESYNC_REAL_STREAM"


@pytest.fixture(scope="module")  # no longer: a PortAudio that met the server must not outlive it
def jack_name() -> Iterator[str]:
    """A running JACK server; without one the test skips and says why, or fails where it is required."""
    why = jackserver.missing()
    if why:
        if os.environ.get(REQUIRED) == "required":
            pytest.fail(f"{REQUIRED}=required, but {why}")
        pytest.skip(f"no real stream here: {why}")
    with jackserver.jack_server(256, realtime=jackserver.may_be_realtime()) as name:
        yield name


@pytest.fixture(scope="module")
def portaudio_ends_first(jack_name: str) -> Iterator[None]:  # noqa: ARG001
    """PortAudio must see the server, also where it was started before it, and let go before that is ended."""
    import sounddevice

    while sounddevice._initialized:
        sounddevice._terminate()
    sounddevice._initialize()
    yield
    sounddevice._terminate()
