"""What many threads ask of one: nobody who gives an order waits until it is carried out."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable

from cuesync.errors import CuesyncError

Failed = Callable[[CuesyncError], None]


class Orders:
    """Given from any thread, carried out one after the other by a single one."""

    def __init__(self) -> None:
        self._orders: deque[tuple[Callable[[], None], Failed | None]] = deque()

    def __len__(self) -> int:
        return len(self._orders)

    def give(self, order: Callable[[], None], failed: Failed | None = None) -> None:
        """`failed` is told, on the thread that carries it out, of the CuesyncError that the order raises."""
        self._orders.append((order, failed))

    def carry_out(self) -> None:
        """All that were given until now; what an order without `failed` raises ends this one alone."""
        while self._orders:
            order, failed = self._orders.popleft()
            try:
                order()
            except CuesyncError as problem:
                if failed is None:
                    raise
                failed(problem)
