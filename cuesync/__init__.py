"""Lands the scream and the flash on the moment a spring-loaded prop pops."""

__version__ = "0.1.0"
