"""Outputs that stay as they were last set.

They have no clock of their own: in a show they run in a process that has (`switch_process`).
"""

from __future__ import annotations

from abc import ABC, abstractmethod


class LatchingSwitch(ABC):
    """What starts a prop by a level that somebody else has to end; the times it is told are not for it."""

    def on(self, for_s: float) -> None:  # noqa: ARG002  see above
        self._set(True)

    def keep_on(self, for_s: float) -> None:  # noqa: B027  it has nothing to do
        """Nothing to do: it is on until it is told otherwise."""

    def off(self) -> None:
        self._set(False)

    @abstractmethod
    def _set(self, on: bool) -> None:
        """DeviceError when the device is gone."""
