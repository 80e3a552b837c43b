"""Loudness and true peak that published standards ask for.

Editions and figures were read in summaries, not in the standards themselves, but for R 128, whose
figures stand in EBU Tech 3343 (2023). What a single platform plays at is no standard, and left out.
LUFS and LKFS are one unit.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType


@dataclass(frozen=True)
class LoudnessTarget:
    """What a standard asks for: loudness, how far it may be off up or down, and true peak.

    `true_peak_dbtp` is None where it names none.

    >>> TARGETS["ebu_r_128"].integrated_lufs, TARGETS["ebu_r_128"].true_peak_dbtp
    (-23.0, -1.0)
    """

    name: str
    integrated_lufs: float
    tolerance_lu: float
    true_peak_dbtp: float | None
    source: str


TARGETS: Mapping[str, LoudnessTarget] = MappingProxyType(
    {
        # The recommendation leaves 1.0 LU to live programmes; a mix is a file, and can be exact.
        "ebu_r_128": LoudnessTarget(
            "EBU R 128",
            -23.0,
            0.2,
            -1.0,
            "EBU R 128 v5 (2023): 0.2 LU for files, as in quality control",
        ),
        # 2 dB for what meters may differ by, "not a window to aim at".
        "atsc_a_85": LoudnessTarget(
            "ATSC A/85", -24.0, 2.0, -2.0, "ATSC A/85:2013 section 6, Corrigendum 2021"
        ),
        "aes77_music": LoudnessTarget(
            "AES77 for music tracks",
            -16.0,
            0.2,
            -1.0,
            "AES77-2023, figures of AES TD1008.1.21-9 (2021): 0.2 LU up; down is our choice",
        ),
        "itu_r_bs_1864": LoudnessTarget(
            "ITU-R BS.1864",
            -24.0,
            1.0,
            None,
            "ITU-R BS.1864 (03/2010); the tolerance is our choice",
        ),
    }
)
