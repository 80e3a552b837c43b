"""Rule effects/too-wet."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping

from mixwright.checks.rule import Remark, Result, rule
from mixwright.measuring.evidence import Evidence

# A section stands out where it is so much wetter than the song may be (or is, if that is more).
SECTION_LU = 3.0
# A section whose dry mix is so far under that of the song is a pause or a ring: all of it is wet.
PAUSE_LU = 30.0


@rule("effects/too-wet", "wet_to_dry_lu")
def too_wet(heard: Evidence, limits: Mapping[str, float]) -> Result:
    """The effects are too loud against the dry mix.

    Measures the loudness of all returns together as they reach the mix bus, over that of everything
    else there (ITU-R BS.1770-5 without its gates, so that both are of the same time): of the whole
    song, and of each section. A section deserves a look where it is 3 LU above the limit, and above
    the whole song. Sections whose dry mix is 30 LU under that of the song are left out.

    Why it matters: reverb and echo move a source away and smear what is said. They are set right
    where they are missed when they are muted, and hardly noticed when they are there.

    Source: common practice; the numbers are our own choice.

    Fails:
        returns: {room: {gain_db: 12}, hall: {gain_db: 12}}
    """
    wet_lufs, dry_lufs = heard.wet.mean_lufs(), heard.dry.mean_lufs()
    if math.isinf(wet_lufs):
        return Result.nothing("nothing comes back from a return")
    if math.isinf(dry_lufs):
        return Result.nothing("no dry mix to compare the returns with")
    whole_lu, most = wet_lufs - dry_lufs, limits["wet_to_dry_lu"]
    sections = list(_sections(heard, dry_lufs))
    measured = f"wet to dry {whole_lu:.1f} LU"
    if sections:
        worst_lu, name, _ = max(sections)
        measured += f", most {worst_lu:.1f} LU in {name}"
    remarks = [_song(whole_lu, most)] if whole_lu > most else []
    expected = max(most, whole_lu) + SECTION_LU
    remarks += [
        Remark(
            "look",
            f"the returns are {wet_lu:.1f} LU against the dry mix in {name}, "
            f"expected {expected:.1f} at most in a section",
            help="turn down what is sent there, or ride the returns",
            path=("returns",),
            section=name,
            at_s=start_s,
            measured=wet_lu,
            limit=expected,
            unit="LU",
        )
        for wet_lu, name, start_s in sections
        if wet_lu > expected
    ]
    return Result(measured, tuple(remarks))


def _song(whole_lu: float, most: float) -> Remark:
    return Remark(
        "fails",
        f"the returns are {whole_lu:.1f} LU against the dry mix, expected {most:g} at most",
        help=f"take {whole_lu - most:.1f} dB off every return",
        path=("returns",),
        measured=whole_lu,
        limit=most,
        unit="LU",
    )


def _sections(heard: Evidence, song_dry_lufs: float) -> Iterator[tuple[float, str, float]]:
    """Wet to dry in LU, name and start in seconds of each section in which the dry mix plays."""
    for section in heard.sections:
        span_s = heard.seconds_of(section)
        dry_lufs, wet_lufs = heard.dry.mean_lufs(*span_s), heard.wet.mean_lufs(*span_s)
        if dry_lufs > song_dry_lufs - PAUSE_LU and math.isfinite(wet_lufs):
            yield wet_lufs - dry_lufs, section.name, span_s[0]
