"""Figures of files, mixes and their nodes; comparison with references; faults in tracks."""

from mixwright.measuring.intake import (
    Inspected,
    Stem,
    inspect_stems,
    stems_of_folder,
    stems_of_sheet,
)
from mixwright.measuring.measure import (
    Loudest,
    Measured,
    measure_file,
    measure_plan,
)
from mixwright.measuring.references import Comparison, compare_with_references

__all__ = [
    "Comparison",
    "Inspected",
    "Loudest",
    "Measured",
    "Stem",
    "compare_with_references",
    "inspect_stems",
    "measure_file",
    "measure_plan",
    "stems_of_folder",
    "stems_of_sheet",
]
