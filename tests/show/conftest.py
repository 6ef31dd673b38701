"""Fixtures for the tests of the show."""

from __future__ import annotations

import os
from collections.abc import Iterator

import pytest

from tests.show import jackserver

REQUIRED = "CUESYNC_REAL_STREAM"


@pytest.fixture(scope="module")
def jack_name() -> Iterator[str]:
    """A running JACK server; without one the test skips and says why, or fails where it is required."""
    why = jackserver.missing()
    if why:
        if os.environ.get(REQUIRED) == "required":
            pytest.fail(f"{REQUIRED}=required, but {why}")
        pytest.skip(f"no real stream here: {why}")
    with jackserver.jack_server(256, realtime=jackserver.may_be_realtime()) as name:
        yield name
