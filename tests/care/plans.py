"""A plan of nothing, for tests that fill in what they are about."""

from __future__ import annotations

from cuesync.plan.plan import Plan

BARE = Plan(
    title="t",
    contact="key:space",
    debounce_s=0.03,
    delay_s=0.6,
    delay_source="",
    bias_s=0.0,
    reset_s=9.0,
    reset_source="",
    pops_s=(),
    sounds=(),
    lights=(),
    notes=(),
)
