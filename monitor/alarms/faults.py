"""What can break on a pole, how often, and how it shows: the table that the diagnosis reasons with."""

from typing import Final

from monitor.alarms.fault import Fault
from monitor.alarms.faults_of_loads import FAULTS_OF_LOADS
from monitor.alarms.faults_of_poles import FAULTS_OF_POLES

__all__ = ["FAULTS", "Fault"]

FAULTS: Final[dict[str, Fault]] = {fault.name: fault for fault in (*FAULTS_OF_POLES, *FAULTS_OF_LOADS)}
"""Fault → how often it happens and how it shows."""
