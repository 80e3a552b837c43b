"""Faults in recordings: in one track as it arrives, and between two that may hold one source.

Meters say how much there is of something; what is here says that something is wrong, in words, with
what to write in the sheet against it.
"""

from mixwright.faults.findings import Finding
from mixwright.faults.pairs import inspect_pairs
from mixwright.faults.time_stamps import TimeStamp, disagreeing
from mixwright.faults.track import FaultMeter

__all__ = ["FaultMeter", "Finding", "TimeStamp", "disagreeing", "inspect_pairs"]
