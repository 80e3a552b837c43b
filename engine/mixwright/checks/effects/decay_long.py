"""Rule effects/decay-long."""

from __future__ import annotations

from collections.abc import Mapping

from mixwright.checks.rule import Remark, Result, rule
from mixwright.dsp.reverb import ReverbSettings
from mixwright.measuring.evidence import Evidence
from mixwright.timeline import TempoChange


@rule("effects/decay-long", "decay_bars")
def decay_long(heard: Evidence, limits: Mapping[str, float]) -> Result:
    """A reverb rings for too many bars.

    Measures the decay by 60 dB of each reverb that sounds in bars, at the tempo that the song has
    for the longest time. Recorded rooms are left out: their decay is not in the sheet.

    Why it matters: what still rings from the last chord but one blurs the harmony of this one, the
    more the faster the song.

    Source: common practice; the number is our own choice.

    Fails:
        returns: {hall: {decay_s: 8}}
    """
    rooms = [
        (part.part.effect.decay_s, name)
        for name, part in heard.returns.items()
        if isinstance(part.part.effect, ReverbSettings) and part.wet.hops.any()
    ]
    if not rooms:
        return Result.nothing("no reverb with a decay of its own sounds")
    tempo = _main_tempo(heard)
    bar_s = tempo.beats_per_bar * 60.0 / tempo.bpm
    longest_s, longest = max(rooms, key=lambda room: room[0])
    most = limits["decay_bars"]
    remarks = tuple(
        Remark(
            "look",
            f"{name} decays for {decay_s:g} s, {decay_s / bar_s:.1f} bars at {tempo.bpm:g} bpm, "
            f"expected {most:g} at most",
            help=f"decay_s: {most * bar_s:.1f} is {most:g} bars",
            path=("returns", name, "decay_s"),
            name=name,
            measured=decay_s / bar_s,
            limit=most,
            unit="bars",
        )
        for decay_s, name in sorted(rooms, key=lambda room: -room[0])
        if decay_s / bar_s > most
    )
    return Result(
        f"longest decay {longest_s:g} s, {longest_s / bar_s:.1f} bars, of {longest}", remarks
    )


def _main_tempo(heard: Evidence) -> TempoChange:
    """The tempo that holds for the longest time, the first of equals."""
    changes, end_s = heard.timeline.tempo, heard.plan.end / heard.rate_hz
    starts_s = [min(end_s, heard.timeline.seconds_at_bar(change.bar)) for change in changes]
    spans_s = [b - a for a, b in zip(starts_s, [*starts_s[1:], end_s], strict=True)]
    return max(zip(spans_s, changes, strict=True), key=lambda pair: pair[0])[1]
