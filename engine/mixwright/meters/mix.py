"""What a render says of the finished stereo sum: a few of the figures of a sound meter."""

from __future__ import annotations

from dataclasses import dataclass

from mixwright.meters.sound import SoundReadings


@dataclass(frozen=True)
class MixReadings:
    """Levels of a stereo signal; None for silence, and where it is too short.

    `loudest_s` is the start of its loudest 3 s; None if it is shorter, or silent.
    """

    seconds: float
    sample_peak_dbfs: float | None
    true_peak_dbtp: float | None
    integrated_lufs: float | None
    loudest_short_term_lufs: float | None
    loudest_s: float | None

    @classmethod
    def of(cls, found: SoundReadings) -> MixReadings:
        """Return them out of all figures."""
        return cls(
            seconds=found.seconds,
            sample_peak_dbfs=found.sample_peak_dbfs,
            true_peak_dbtp=found.true_peak_dbtp,
            integrated_lufs=found.integrated_lufs,
            loudest_short_term_lufs=found.short_term_max_lufs,
            loudest_s=found.short_term_max_s,
        )
