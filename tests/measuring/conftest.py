"""Fixtures for the tests of measuring."""

from __future__ import annotations

import os
from collections.abc import Iterator

import pytest

from tests.show import jackserver
from tests.show.conftest import REQUIRED


@pytest.fixture(scope="module")
def roomy_jack() -> Iterator[int]:
    """The block length of a JACK server with blocks so long that a busy computer keeps up with them."""
    why = jackserver.missing()
    if why:
        if os.environ.get(REQUIRED) == "required":
            pytest.fail(f"{REQUIRED}=required, but {why}")
        pytest.skip(f"no real stream here: {why}")
    # a name of its own: tests of the show may be under way beside these
    name, server = jackserver.start_free_server("measuring", 1024)
    before = os.environ.get("JACK_DEFAULT_SERVER")
    os.environ["JACK_DEFAULT_SERVER"] = name
    try:
        yield 1024
    finally:
        jackserver.stop_server(server)
        if before is None:
            os.environ.pop("JACK_DEFAULT_SERVER")
        else:
            os.environ["JACK_DEFAULT_SERVER"] = before
