"""Limits that several tables of a scene share."""

WIDEST_MS = 600_000.0
"""Ten minutes: a scare is over long before."""
