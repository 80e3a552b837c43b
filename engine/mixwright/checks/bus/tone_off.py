"""Rule bus/tone-off."""

from __future__ import annotations

from collections.abc import Mapping

from mixwright.checks.rule import Remark, Result, rule
from mixwright.measuring.evidence import Evidence
from mixwright.measuring.references import Comparison
from mixwright.meters.bands import octaves

LOW_HZ, HIGH_HZ = 63.0, 8000.0


@rule("bus/tone-off", "tone_difference_db")
def tone_off(heard: Evidence, limits: Mapping[str, float]) -> Result:
    """The tone of the mix is far from its references.

    Measures the octaves from 63 Hz to 8 kHz (IEC 61260-1) of the mix through `bus` less those of
    each reference, brought to the same gated loudness (ITU-R BS.1770-5); the mean of these
    differences over all references.

    Why it matters: ears get used to a tone within minutes, and only another mix at the same
    loudness shows where one's own has gone.

    Source: common practice. That 4 dB are worth a look is our choice: a limit much below would find
    fault with what makes one song another, and no published one is known.

    Fails:
        references: [{file: keys.wav, why: nothing but keys}]
    """
    if not heard.references:
        return Result.nothing("no references")
    means = _mean_differences_db(heard.references)
    if not means:
        return Result.nothing("no octaves in common with the references")
    worst = max(means, key=lambda name: abs(means[name]))
    measured = f"{_hertz(worst)} {means[worst]:+.1f} dB against {_them(heard.references)}"
    most = limits["tone_difference_db"]
    over = {name: db for name, db in means.items() if abs(db) > most}
    if not over:
        return Result(measured)
    sections = {comparison.section for comparison in heard.references}
    said = ", ".join(f"{db:+.1f} dB at {_hertz(name)}" for name, db in over.items())
    path = ("mix_bus", "eq")
    remark = Remark(
        "look",
        f"the mix differs from {_them(heard.references)} by {said}, "
        f"expected {most:g} dB at most in any octave",
        help="look at the tracks that live there first, then at the EQ of the mix bus",
        path=path if heard.sheet.span_of(*path) else ("references",),
        name="mix_bus",
        section=sections.pop() if len(sections) == 1 else None,
        measured=means[worst],
        limit=most,
        unit="dB",
    )
    return Result(measured, (remark,))


def _mean_differences_db(comparisons: tuple[Comparison, ...]) -> dict[str, float]:
    """Mix less reference by octave, the mean over those references that reach it."""
    means = {}
    for index, band in enumerate(octaves()):
        if not LOW_HZ <= band.nominal_hz <= HIGH_HZ:
            continue
        reaching = [c.spectrum.octave_db for c in comparisons if len(c.spectrum.octave_db) > index]
        found = [level for octave_db in reaching if (level := octave_db[index]) is not None]
        if found:
            means[band.name] = sum(found) / len(found)
    return means


def _hertz(name: str) -> str:
    return f"{name[:-1]} kHz" if name.endswith("k") else f"{name} Hz"


def _them(comparisons: tuple[Comparison, ...]) -> str:
    count = len(comparisons)
    return comparisons[0].file if count == 1 else f"the mean of {count} references"
