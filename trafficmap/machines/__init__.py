"""Machines: from a class name or a machine file to bodies, axles, tyres and masses.

In come the machine tables of field.toml and machine files; out go `Machine` values
whose dimensions, masses and pressures the later rooms read, with a Note for what was
assumed from the class.
"""

from __future__ import annotations

from trafficmap.machines.catalogue import class_names, generic_machine
from trafficmap.machines.model import Body, Machine
from trafficmap.machines.read import read_machine
from trafficmap.machines.validate import axle_report, check_machine

__all__ = [
    "Body",
    "Machine",
    "axle_report",
    "check_machine",
    "class_names",
    "generic_machine",
    "read_machine",
]
