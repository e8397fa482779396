"""Sensor profiles, machine profiles and the wiring of a bench: data and its checks."""

from lidjig.bench.machine import MachineProfile
from lidjig.bench.observers import Comparator, Scale
from lidjig.bench.pair import check_pair, closing_angle_deg, opening_angle_deg
from lidjig.bench.profiles import (
    DEMO_MACHINE,
    DEMO_SENSOR,
    load_machine,
    load_sensor,
    parse_machine,
    parse_sensor,
    shipped,
)
from lidjig.bench.sensor import Output, SensorProfile

__all__ = [
    "DEMO_MACHINE",
    "DEMO_SENSOR",
    "Comparator",
    "MachineProfile",
    "Output",
    "Scale",
    "SensorProfile",
    "check_pair",
    "closing_angle_deg",
    "load_machine",
    "load_sensor",
    "opening_angle_deg",
    "parse_machine",
    "parse_sensor",
    "shipped",
]
