"""Figures of files, mixes and their nodes; comparison with references; faults in tracks."""

from mixwright.measuring.measure import (
    Loudest,
    Measured,
    loudest_section,
    measure_file,
    measure_plan,
)
from mixwright.measuring.references import Comparison, compare_with_references

__all__ = [
    "Comparison",
    "Loudest",
    "Measured",
    "compare_with_references",
    "loudest_section",
    "measure_file",
    "measure_plan",
]
