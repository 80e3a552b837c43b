"""Filters at rest: how far from the analogue ones, at what cost, and how steep."""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

import numpy as np

from mixwright.dsp.band import PASSES, SLOPES_DB_PER_OCT, BandSettings, BandType
from mixwright.dsp.eq import EqSettings
from mixwright.dsp.filters import cookbook_sections, design_band, response_db
from sound_figures.drawing import (
    COLOURS,
    DASHES,
    IDEAL,
    LIMIT,
    Pictures,
    frequency_axis,
    panels,
    thinned,
)
from sound_figures.page import Chapter, Measure, Picture
from sound_figures.signals import Samples, decibels, played, response

COOKBOOK = "Audio EQ Cookbook (W3C Note, 2021), analogue prototypes"
BUTTERWORTH = "S. Butterworth 1930: 1/(1 + (f/fc)^2n)"
RATES_HZ = (44100, 48000)
CENTRES_HZ = np.concatenate([np.geomspace(20.0, 17000.0, 30), [18000.0]])
GAINS_DB = (-18.0, -12.0, -6.0, -3.0, 3.0, 6.0, 12.0, 18.0)
QS = (0.3, 0.7071, 1.0, 2.0, 4.0, 10.0)
TIGHT_HZ, TIGHT_DB, LOOSE_HZ, LOOSE_DB = 16000.0, 0.1, 20000.0, 0.25
# Deeper than this nobody hears how deep it is, only that it is.
DEEP_DB = -60.0
FAMILIES: dict[str, tuple[BandType, ...]] = {
    "bells": ("bell",),
    "shelves": ("low_shelf", "high_shelf"),
    "passes": ("high_pass", "low_pass"),
}
BELL = BandSettings("bell", 10000.0, 6.0, 1.0)


def chapter(pictures: Pictures) -> Chapter:
    """Measure designs over their whole range, and the filters that run."""
    # Designs that are kept from before would cost nothing.
    design_band.cache_clear()
    found = {
        (family, rate_hz): swept(kinds, rate_hz, design_band)
        for family, kinds in FAMILIES.items()
        for rate_hz in RATES_HZ
    }
    return Chapter(
        "Filters",
        (
            """Bells, shelves and notches are meant to have the magnitude of the analogue prototypes
            in R. Bristow-Johnson's Audio EQ Cookbook (W3C Note, 2021), passes that of S.
            Butterworth (1930). The cookbook's own digital sections squeeze everything above half
            the rate into the top octave; where that shows, sections are fitted to the prototype
            instead. Right means: within 0.1 dB of it up to 16 kHz and 0.25 dB up to 20 kHz, the
            limits the engine sets itself, for every setting. Where a pass is more than 60 dB down,
            all that counts is that it stays down.""",
            _envelope_picture(pictures, found),
            _envelope_measures(found),
            f"""Settings tried: {len(CENTRES_HZ)} frequencies from 20 Hz to 18 kHz, gains of 3, 6,
            12 and 18 dB up and down, Q from 0.3 to 10, slopes from 6 to 48 dB per octave. The time
            is of the processor, rounded up to 1, 2 or 5, and the one figure here that is not the
            same each time; a design is made once and kept.""",
            _cost_table(found),
            """The bell that shows it best, 10 kHz, +6 dB, Q 1, at 44.1 kHz: the analogue one, ours
            as it runs, and the cookbook's section.""",
            _bell_picture(pictures),
            _bell_measures(),
            """Notches are the cookbook's sections: right at their middle, and too narrow near the
            top. Passes as they run, at 1 kHz:""",
            _slopes_picture(pictures),
            [*_slope_measures(), *_notch_measures()],
        ),
    )


# --- the ideal


def analogue_db(band: BandSettings, hz: Samples) -> Samples:
    """Return the magnitude in dB of the analogue prototype, from its formula."""
    ratio = hz / band.freq_hz
    if band.type in PASSES:
        steep = band.slope_db_per_oct // 3
        power = ratio**steep if band.type == "low_pass" else ratio**-steep
        return np.asarray(-10.0 * np.log10(1.0 + power))
    s, a = 1j * ratio, 10.0 ** (band.gain_db / 40.0)
    if band.type == "bell":
        gain = (s * s + s * a / band.q + 1.0) / (s * s + s / (a * band.q) + 1.0)
        return decibels(np.abs(gain))
    if band.type == "high_shelf":
        # A low shelf, mirrored.
        s = 1.0 / s
    middle = s * math.sqrt(a) / band.q
    return decibels(np.abs(a * (s * s + middle + a) / (a * s * s + middle + 1.0)))


# --- all settings


@dataclass(frozen=True)
class Swept:
    """What was found for one family at one rate; the first three by centre frequency.

    Worst errors in dB to 16 and to 20 kHz, the highest level in dB where less than `DEEP_DB` was
    asked for; sections more than the prototypes have, and processor time in ms, by design.
    """

    tight_db: Samples
    loose_db: Samples
    deep_db: float
    added: Samples
    sections: Samples
    spent_ms: Samples


def _bands(kinds: tuple[BandType, ...], freq_hz: float) -> Iterator[BandSettings]:
    for kind in kinds:
        if kind in PASSES:
            for slope in SLOPES_DB_PER_OCT:
                yield BandSettings(kind, freq_hz, slope_db_per_oct=slope)
        else:
            for gain_db in GAINS_DB:
                for q in QS:
                    yield BandSettings(kind, freq_hz, gain_db, q)


def _grid(freq_hz: float) -> Samples:
    about = freq_hz * 2.0 ** np.linspace(-1.0, 1.0, 81)
    every = [np.geomspace(20.0, LOOSE_HZ, 150), np.linspace(10000.0, LOOSE_HZ, 80), about]
    hz = np.unique(np.concatenate(every))
    return hz[(hz >= 20.0) & (hz <= LOOSE_HZ)]


def swept(
    kinds: tuple[BandType, ...],
    rate_hz: int,
    design: Callable[[BandSettings, int], Samples],
    centres_hz: Samples = CENTRES_HZ,
) -> Swept:
    """Design all settings of some types and hold each against its prototype."""
    tight, loose = np.zeros(len(centres_hz)), np.zeros(len(centres_hz))
    deep, added, sections, spent = DEEP_DB, [], [], []
    for at, freq_hz in enumerate(centres_hz):
        hz = _grid(float(freq_hz))
        for band in _bands(kinds, float(freq_hz)):
            begun = time.thread_time()
            rows = design(band, rate_hz)
            spent.append(1000.0 * (time.thread_time() - begun))
            own = (band.slope_db_per_oct // 6 + 1) // 2 if band.type in PASSES else 1
            sections.append(len(rows))
            added.append(len(rows) - own)
            found, meant = response_db(rows, hz, rate_hz), analogue_db(band, hz)
            shallow = meant >= DEEP_DB
            error = np.where(shallow, np.abs(found - meant), 0.0)
            tight[at] = max(tight[at], error[hz <= TIGHT_HZ].max())
            loose[at] = max(loose[at], error.max())
            deep = max(deep, float(found[~shallow].max(initial=DEEP_DB)))
    return Swept(tight, loose, deep, np.array(added), np.array(sections), np.array(spent))


Table = dict[tuple[str, int], Swept]


def _envelope_picture(pictures: Pictures, table: Table) -> Picture:
    figure, axes = panels(3, 1, 5.4, sharex=True)
    for panel, family in zip(axes, FAMILIES, strict=True):
        for look, rate_hz in enumerate(RATES_HZ):
            found = table[family, rate_hz]
            for error, to, marker in ((found.tight_db, 16, "o"), (found.loose_db, 20, "s")):
                line = 2 * look + (to == 20)
                panel.plot(
                    CENTRES_HZ,
                    error,
                    color=COLOURS[line],
                    linestyle=DASHES[line],
                    marker=marker,
                    markersize=2.5,
                    linewidth=1.2,
                    label=f"{rate_hz / 1000:g} kHz, to {to} kHz",
                )
        for limit in (TIGHT_DB, LOOSE_DB):
            panel.axhline(limit, **LIMIT)
        panel.set(title=family, ylabel="worst error, dB", ylim=(0.0, 0.28))
        frequency_axis(panel)
    for panel in axes[:2]:
        panel.set_xlabel("")
    axes[2].set_xlabel("frequency of the filter, Hz")
    axes[0].legend(loc="center left", ncols=2, bbox_to_anchor=(0.0, 0.66))
    return pictures.save(
        figure,
        "filters_errors",
        "worst error against the analogue prototype over the filter's frequency",
        "The worst of all gains, Qs and slopes at each frequency. Grey: the limits, 0.1 dB to "
        "16 kHz and 0.25 dB to 20 kHz.",
    )  # fmt: skip


def _envelope_measures(table: Table) -> list[Measure]:
    rows = []
    for (family, rate_hz), found in table.items():
        source = BUTTERWORTH if family == "passes" else COOKBOOK
        place = f"{family} at {rate_hz / 1000:g} kHz: worst error"
        tight, loose = float(found.tight_db.max()), float(found.loose_db.max())
        rows.append(Measure(f"{place} to 16 kHz", tight, "dB", TIGHT_DB, source=source))
        rows.append(Measure(f"{place} to 20 kHz", loose, "dB", LOOSE_DB, source=source))
    deep = max(found.deep_db for found in table.values())
    what = "passes: highest level where less than -60 dB is asked for"
    return [*rows, Measure(what, deep, "dB", DEEP_DB + 1.0, source="ours"), _cancelled()]


def _cancelled() -> Measure:
    """A boost and its cut, one after the other, on noise."""
    noise = np.random.default_rng(1).standard_normal((48000, 1))
    worst = 0.0
    for freq_hz, kind in ((60.0, "low_shelf"), (10000.0, "bell"), (17000.0, "high_shelf")):
        boost = BandSettings(kind, freq_hz, 12.0, 1.3)  # type: ignore[arg-type]
        pair = EqSettings((boost, replace(boost, gain_db=-12.0)))
        worst = max(worst, float(np.abs(played(pair, noise) - noise).max()))
    what = "a boost of 12 dB and its cut in a row: what is left of them on noise"
    source = "a cut is the inverse of its boost"
    return Measure(what, float(decibels(worst)), "dB", -200.0, source=source)


def _cost_table(table: Table) -> str:
    head = (
        "| designs | tried | one section | two | three or more | as many as the prototype "
        "| one more | 95 of 100 take less than |"
    )
    lines = [head, "|" + " --- |" * 8]
    for (family, rate_hz), found in table.items():
        many = [np.mean(found.sections == 1), np.mean(found.sections == 2),
                np.mean(found.sections >= 3), np.mean(found.added == 0),
                np.mean(found.added >= 1)]  # fmt: skip
        shares = " | ".join(f"{100.0 * share:.0f} %" for share in many)
        ms = _rounded_up(float(np.percentile(found.spent_ms, 95)))
        name = f"{family}, {rate_hz / 1000:g} kHz"
        lines.append(f"| {name} | {len(found.spent_ms)} | {shares} | {ms:g} ms |")
    return "\n".join(lines)


def _rounded_up(value: float) -> float:
    """The next of 1, 2, 5, 10, 20 ...: time is never twice the same."""
    power = 10.0 ** math.floor(math.log10(value))
    return float(next(step * power for step in (1.0, 2.0, 5.0, 10.0) if value <= step * power))


# --- one bell


def _bell_curves() -> tuple[Samples, Samples, Samples, Samples]:
    """Frequencies, and in dB: analogue, ours as it runs, the cookbook's section."""
    hz, ours = response(EqSettings((BELL,)), 44100)
    audible = (hz >= 1000.0) & (hz <= LOOSE_HZ)
    hz, ours = hz[audible], ours[audible]
    plain = response_db(cookbook_sections(BELL, 44100), hz, 44100)
    return hz, analogue_db(BELL, hz), ours, plain


def _bell_picture(pictures: Pictures) -> Picture:
    hz, analogue, ours, plain = _bell_curves()
    figure, (left, right) = panels(1, 2, 2.9)
    left.plot(*thinned(hz, ours), label="ours")
    left.plot(*thinned(hz, plain), label="cookbook section")
    left.plot(*thinned(hz, analogue), **IDEAL, label="analogue")
    left.set(title="gain, dB", ylim=(-0.3, 6.6))
    left.legend(loc="upper left")
    right.plot(*thinned(hz, ours - analogue), label="ours")
    right.plot(*thinned(hz, plain - analogue), label="cookbook section")
    right.plot([1000.0, TIGHT_HZ, TIGHT_HZ, LOOSE_HZ], [-0.1, -0.1, -0.25, -0.25], **LIMIT)
    right.plot([1000.0, TIGHT_HZ, TIGHT_HZ, LOOSE_HZ], [0.1, 0.1, 0.25, 0.25], **LIMIT)
    right.set(title="off the analogue one by, dB", ylim=(-2.1, 0.4))
    for axes in (left, right):
        frequency_axis(axes, 1000.0)
    return pictures.save(
        figure,
        "filters_bell",
        "a bell at 10 kHz: analogue, ours and the plain cookbook section, and their errors",
        "+6 dB at 10 kHz, Q 1, at 44.1 kHz.",
    )


def _bell_measures() -> list[Measure]:
    hz, analogue, ours, plain = _bell_curves()
    tight = hz <= TIGHT_HZ
    designed = response_db(design_band(BELL, 44100), hz, 44100)
    off, plain_off = np.abs(ours - analogue), np.abs(plain - analogue)
    rows = [
        Measure("ours, to 16 kHz", float(off[tight].max()), "dB", TIGHT_DB, source=COOKBOOK),
        Measure("ours, to 20 kHz", float(off.max()), "dB", LOOSE_DB, source=COOKBOOK),
        Measure("cookbook section, to 20 kHz, to check the measure", float(plain_off.max()), "dB",
                0.002, "about", 1.959, "computed from the cookbook's formulas"),
        Measure("the filter that runs minus its design", float(np.abs(ours - designed).max()), "dB",
                1e-6, source="impulse response through the engine"),
    ]  # fmt: skip
    for at_hz, meant in ((5000.0, 1.884), (14000.0, 4.045), (20000.0, 1.884)):
        found = float(np.interp(at_hz, hz, ours))
        limit = TIGHT_DB if at_hz <= TIGHT_HZ else LOOSE_DB
        what = f"ours at {at_hz / 1000:g} kHz"
        rows.append(Measure(what, found, "dB", limit, "about", meant, COOKBOOK))
    return rows


# --- slopes


def _pass(kind: BandType, slope: int, freq_hz: float = 1000.0) -> tuple[Samples, Samples]:
    band = BandSettings(kind, freq_hz, slope_db_per_oct=slope)
    hz, found = response(EqSettings((band,)), 48000)
    audible = (hz >= 20.0) & (hz <= 20000.0)
    return hz[audible], found[audible]


def _slopes_picture(pictures: Pictures) -> Picture:
    figure, (left, right) = panels(1, 2, 3.0, sharey=True)
    for axes, kind in ((left, "high_pass"), (right, "low_pass")):
        for slope in SLOPES_DB_PER_OCT:
            hz, found = _pass(kind, slope)  # type: ignore[arg-type]
            index = np.unique(np.geomspace(1, len(hz), 160).astype(int) - 1)
            shade = 0.25 + 0.75 * slope / 48.0
            axes.plot(
                hz[index], found[index], color=COLOURS[0], alpha=shade, linestyle="-", linewidth=1.2
            )
            band = BandSettings(kind, 1000.0, slope_db_per_oct=slope)  # type: ignore[arg-type]
            axes.plot(hz[index], analogue_db(band, hz[index]), **IDEAL)
        frequency_axis(axes, 50.0)
        axes.set(title=kind.replace("_", "-"), ylim=(-80.0, 5.0))
    left.set_ylabel("dB")
    return pictures.save(
        figure,
        "filters_slopes",
        "high-passes and low-passes of 6 to 48 dB per octave over the analogue ones",
        "6 to 48 dB per octave in steps of 6, as they run at 48 kHz.",
    )  # fmt: skip


def _slope_measures() -> list[Measure]:
    # Attenuation one octave beyond the corner, computed from Butterworth's formula.
    octave_db = (6.9897, 12.3045, 18.1291, 24.0993, 30.1072, 36.1247, 42.1445, 48.1649)
    rows = []
    for slope, meant in zip(SLOPES_DB_PER_OCT, octave_db, strict=True):
        hz, found = _pass("low_pass", slope)
        level = float(np.interp(2000.0, hz, found))
        what = f"low-pass, {slope} dB per octave, 1 kHz: at 2 kHz"
        rows.append(Measure(what, level, "dB", TIGHT_DB, "about", -meant, BUTTERWORTH))
    return rows


def _notch_measures() -> list[Measure]:
    rows = []
    for freq_hz in (1000.0, 5000.0, 10000.0):
        band = BandSettings("notch", freq_hz, q=4.0)
        hz = np.linspace(0.5 * freq_hz, 1.5 * freq_hz, 200001)
        level = response_db(design_band(band, 44100), hz, 44100)
        inside = hz[level <= 10.0 * math.log10(0.5)]
        width = float(inside[-1] - inside[0])
        what = f"notch at {freq_hz / 1000:g} kHz, Q 4, at 44.1 kHz: width at half power"
        rows.append(Measure(what, width, "Hz", ideal=freq_hz / 4.0, source="frequency over Q"))
    return rows
