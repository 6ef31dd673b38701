"""Gives a worker (see `devices.ports.Worker`) a thread of its own on the host's clock."""

from __future__ import annotations

import sys
import threading
from collections.abc import Callable

from cuesync.devices.ports import Clock, Worker

_MOST_WAIT_S = 0.5
# How coarse a timed wait may be: Windows wakes up on ticks of up to 15.6 ms, others within a part of 1 ms.
_COARSE_S = 0.020 if sys.platform == "win32" else 0.002
_FINE_SLEEP_S = 0.0003


class WorkerThread:
    """Calls `work` whenever `next_s` says so, or sooner when woken.

    `punctual` spends the last moments before a deadline in short sleeps instead of one long wait.
    """

    def __init__(
        self,
        worker: Worker,
        clock: Clock,
        name: str,
        failed: Callable[[Exception], None],
        *,
        punctual: bool = False,
    ) -> None:
        self._worker = worker
        self._clock = clock
        self._failed = failed
        self._punctual = punctual
        self._woken = threading.Event()
        self._ending = False
        self._thread = threading.Thread(target=self._run, name=f"cuesync {name}", daemon=True)

    def start(self) -> None:
        self._thread.start()

    def wake(self) -> None:
        self._woken.set()

    def stop(self, timeout_s: float = 5.0) -> None:
        self._ending = True
        self._woken.set()
        if self._thread.is_alive():
            self._thread.join(timeout_s)

    def _run(self) -> None:
        while not self._ending:
            self._woken.clear()
            try:
                now_s = self._clock.now_s()
                wait_s = self._worker.next_s() - now_s
                if wait_s <= 0.0:
                    self._worker.work(now_s)
                    continue
            except Exception as problem:  # the thread must outlive everything
                self._failed(problem)
                wait_s = 0.1
            if not self._punctual or wait_s > 2.0 * _COARSE_S:
                self._woken.wait(min(wait_s - (_COARSE_S if self._punctual else 0.0), _MOST_WAIT_S))
            else:
                self._clock.sleep_s(min(wait_s, _FINE_SLEEP_S))
