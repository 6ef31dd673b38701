"""Groups that come at random, and a prop that must reset: how many it misses, or how long they wait."""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil

from cuesync.plan.plan import Plan


def lost_share(servers: int, load_erlang: float) -> float:
    """Share of random arrivals that find all servers busy and go on (Erlang B).

    B(0) = 1, B(n) = A·B/(n + A·B); it only depends on the mean time that one is busy.
    """
    lost = 1.0
    for server in range(1, servers + 1):
        lost = load_erlang * lost / (server + load_erlang * lost)
    return lost


def mean_wait_s(load_erlang: float, busy_s: float) -> float:
    """Mean wait of random arrivals for one server that is always busy equally long (M/D/1).

    Wq = ρ/(2μ(1−ρ)); `load_erlang` must be below 1, or the queue only grows.
    """
    return load_erlang * busy_s / (2.0 * (1.0 - load_erlang))


@dataclass(frozen=True, slots=True, kw_only=True)
class Pace:
    """One prop in its busiest hour. `busy_s`: from a press until the next is taken. `wait_s` is None where
    more groups come than the prop can serve."""

    groups_per_hour: float
    busy_s: float
    lost_share: float
    lost_share_of_two: float
    wait_s: float | None

    @property
    def text(self) -> str:
        wait = (
            "and a queue for it would only grow"
            if self.wait_s is None
            else f"or wait {self.wait_s:.1f} s for it in the mean"
        )
        return (
            f"{self.groups_per_hour:g} groups an hour that come at random meet the prop while it resets "
            f"{self.lost_share * 100.0:.1f} % of the time (two such props in turn: "
            f"{self.lost_share_of_two * 100.0:.1f} %), {wait}; "
            f"groups let in {ceil(self.busy_s - 1e-9)} s apart never do"
        )


def scene_pace(plan: Plan) -> Pace | None:
    """None where scares_per_hour is not given."""
    groups_per_hour = plan.care.scares_per_hour
    if groups_per_hour is None:
        return None
    busy_s = plan.busy_s
    load_erlang = groups_per_hour * busy_s / 3600.0
    return Pace(
        groups_per_hour=groups_per_hour,
        busy_s=busy_s,
        lost_share=lost_share(1, load_erlang),
        lost_share_of_two=lost_share(2, load_erlang),
        wait_s=mean_wait_s(load_erlang, busy_s) if load_erlang < 1.0 else None,
    )
