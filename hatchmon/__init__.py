"""Sensor-driven monitor for a brine shrimp hatchery."""

from importlib.metadata import version

__version__ = version("hatchmon")
