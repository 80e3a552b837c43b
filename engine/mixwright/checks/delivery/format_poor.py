"""Rule delivery/format-poor."""

from __future__ import annotations

from collections.abc import Mapping

from mixwright.audio import FORMATS, MixFormat
from mixwright.checks.rule import Remark, Result, rule
from mixwright.measuring.evidence import Evidence

ENOUGH_BITS = 24


@rule("delivery/format-poor")
def format_poor(heard: Evidence, limits: Mapping[str, float]) -> Result:
    """What is delivered holds less than what was recorded.

    Measures the formats of all variants: one of them should have 24 bits or floating point, and
    leave nothing out as formats for listening do. Tracks at a higher sample rate than the song's
    are a note.

    Why it matters: mastering and archives need more bits than a listener does, and what was left
    out can't be had back.

    Source: common practice, 24 bits at the rate of the recording.

    Fails:
        variants: {main: {formats: [wav16]}}
    """
    variants = heard.sheet.variants
    higher = _higher_rates(heard)
    if not variants:
        return Result("no variants", higher, judged=bool(higher))
    formats = dict.fromkeys(name for variant in variants for name in variant.formats)
    measured = f"delivered as {', '.join(formats)}"
    bits = max(_bits_of(FORMATS[name]) for name in formats)
    if bits >= ENOUGH_BITS:
        return Result(measured, higher)
    remark = Remark(
        "look",
        f"no variant has more than {bits} bits, expected {ENOUGH_BITS} or floating point in one",
        help="add wav24 or flac24 to the formats of the main variant",
        path=("variants", variants[0].name, "formats"),
        name="mix_bus",
        measured=bits,
        limit=ENOUGH_BITS,
        unit="bits",
    )
    return Result(measured, (remark, *higher))


def _bits_of(form: MixFormat) -> int:
    """What a format holds, in bits: 0 if it leaves out what isn't heard."""
    return 0 if form.lossy else form.bits or ENOUGH_BITS


def _higher_rates(heard: Evidence) -> tuple[Remark, ...]:
    """One note on all tracks that lose the top of their spectrum."""
    rates = {track.name: track.stem.rate_hz for track in heard.plan.tracks}
    higher = [name for name, rate_hz in rates.items() if rate_hz > heard.rate_hz]
    if not higher:
        return ()
    highest = max(rates.values())
    others = f" and {len(higher) - 1} more" if len(higher) > 1 else ""
    message = f"{higher[0]}{others} at up to {highest} Hz, the song is at {heard.rate_hz}"
    note = Remark(
        "note",
        message,
        path=("song", "sample_rate_hz"),
        measured=highest,
        limit=heard.rate_hz,
        unit="Hz",
    )
    return (note,)
