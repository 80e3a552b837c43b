"""The delay: fractional times, feedback, ping-pong and ducking."""

from __future__ import annotations

import math

import numpy as np

from mixwright.dsp import delay
from mixwright.dsp.delay import DelaySettings
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
from sound_figures.signals import (
    RATE_HZ,
    Samples,
    both_sides,
    column,
    decibels,
    frequencies,
    played,
)

PASSES = 20
FRACTIONS = (0.1, 0.25, 0.5, 0.75)
HEARD_HZ = 16000.0


def chapter(pictures: Pictures) -> Chapter:
    """Measure times, repeats, ping-pong and ducking."""
    return Chapter(
        "Delay",
        (
            """A time that falls between two samples is read by 32 taps of a windowed sinc (J. F.
            Kaiser and R. W. Schafer, IEEE Trans. ASSP 28(1), 1980). Right means: the magnitude is
            flat and every frequency is late by the same time, also after many passes through the
            loop. The taps are flat up to 0.42 of the rate, 18.5 kHz at 44.1 kHz.""",
            *_times(pictures),
            """Feedback is in dB a pass, so repeats lie on a straight line. Ping-pong sums both
            sides into one loop and repeats left and right in turn; a centred source stays as loud,
            so each repeat of it is 3.01 dB up on its one side.""",
            _repeats_picture(pictures),
            [*_feedback_measures(), *_ping_pong_measures()],
            """Ducking turns the repeats down while the send sounds: fully within 10 dB of its
            recent maximum, not at all 20 dB under it, straight in dB between; 10 ms down, 250 ms
            up. The ideal is that rule worked out in plain numbers. No level in dBFS comes into it:
            the same send 60 dB softer is ducked alike.""",
            *_ducking(pictures),
        ),
    )


# --- times


def _passed(time_ms: float, rate_hz: int, passes: int) -> tuple[Samples, Samples, Samples]:
    """Frequencies, gain in dB, and how late it is in microseconds beyond its time."""
    settings = DelaySettings(time_ms)
    block = np.zeros((1 << 15, 1))
    block[0] = 1.0
    for _ in range(passes):
        block = settings.start(rate_hz, 1).process(block)
    hz = frequencies(len(block), rate_hz)
    spectrum = np.fft.rfft(block[:, 0])
    audible = (hz >= 20.0) & (hz <= 20000.0)
    hz, spectrum = hz[audible], spectrum[audible]
    away = np.angle(spectrum * np.exp(2j * np.pi * hz * passes * time_ms / 1000.0))
    return hz, decibels(np.abs(spectrum)), -away / (2.0 * np.pi * hz) * 1e6


def _times(pictures: Pictures) -> tuple[Picture, list[Measure]]:
    figure, (left, right) = panels(1, 2, 2.7)
    rows = []
    look = 0
    for rate_hz in (44100, 48000):
        for passes in (1, PASSES):
            found = [
                _passed((200.0 + fraction) * 1000.0 / rate_hz, rate_hz, passes)
                for fraction in FRACTIONS
            ]
            hz = found[0][0]
            gain = np.max([np.abs(g) for _, g, _ in found], axis=0)
            late = np.max([np.abs(t) for _, _, t in found], axis=0)
            label = f"{rate_hz / 1000:g} kHz, {passes} pass" + ("es" if passes > 1 else "")
            line = {"color": COLOURS[look], "linestyle": DASHES[look], "label": label}
            left.plot(*thinned(hz, np.maximum(gain, 1e-6), 300), **line)
            right.plot(*thinned(hz, np.maximum(late, 1e-6), 300), **line)
            look += 1
            heard = hz <= HEARD_HZ
            rows.append(
                Measure(
                    f"{label}: magnitude off by, up to 16 kHz",
                    float(gain[heard].max()),
                    "dB",
                    0.05,
                    source="ours",
                )
            )
            limit = 1.0 if passes == 1 else None
            rows.append(Measure(f"{label}: late or early by, up to 16 kHz",
                                float(late[heard].max()), "µs", limit,
                                source="ours" if limit else ""))  # fmt: skip
    _, gain_db, _ = _passed(200_500.0 / 44100, 44100, 1)
    top = float(np.abs(gain_db).max())
    rows.append(
        Measure("44.1 kHz, half a sample, 1 pass: magnitude off by, up to 20 kHz", top, "dB")
    )
    left.plot([20.0, HEARD_HZ], [0.05, 0.05], **LIMIT)
    right.plot([20.0, HEARD_HZ], [1.0, 1.0], **LIMIT)
    left.set(title="magnitude off by, dB", ylim=(1e-6, 100.0))
    right.set(title="time off by, µs", ylim=(1e-6, 100.0))
    for axes in (left, right):
        axes.set_yscale("log")
        frequency_axis(axes, 100.0)
    left.legend(loc="upper left")
    shows = "error of magnitude and time over frequency for one pass and twenty"
    caption = "The worst of four fractions of a sample, after one pass and after twenty."
    return pictures.save(figure, "delay_times", shows, caption), rows


# --- repeats


def _repeats(settings: DelaySettings, seconds: float = 3.0) -> Samples:
    block = np.zeros((round(seconds * RATE_HZ), 2))
    block[0] = 1.0
    return played(settings, block)


def _levels_db(channel: Samples, time_ms: float, count: int) -> Samples:
    """The level of each repeat, from the energy about its time up to 16 kHz."""
    near = round(0.01 * RATE_HZ)
    middles = [round(time_ms * k * RATE_HZ / 1000.0) for k in range(1, count + 1)]
    spectra = np.fft.rfft([channel[m - near : m + near] for m in middles], axis=1)
    heard = np.fft.rfftfreq(2 * near, 1.0 / RATE_HZ) <= HEARD_HZ
    return decibels(np.sqrt(np.mean(np.abs(spectra[:, heard]) ** 2, axis=1)))


FED_BACK = ((-3.0, None), (-6.0, None), (-6.0, 3000.0), (-12.0, None))
REPEAT_MS, COUNT = 150.37, 12


def _repeats_picture(pictures: Pictures) -> Picture:
    figure, (left, right) = panels(1, 2, 2.7)
    times = REPEAT_MS * np.arange(1, COUNT + 1) / 1000.0
    for feedback_db, low_pass_hz in FED_BACK:
        settings = DelaySettings(REPEAT_MS, feedback_db=feedback_db, low_pass_hz=low_pass_hz)
        level = _levels_db(_repeats(settings)[:, 0], REPEAT_MS, COUNT)
        label = f"{feedback_db:.0f} dB" + (", low-pass in the loop" if low_pass_hz else "")
        left.plot(times, level, marker="o", markersize=3.0, label=label)
        if low_pass_hz is None:
            left.plot(times, feedback_db * np.arange(COUNT), **IDEAL)
    left.set(title="repeats of a click", xlabel="s", ylabel="dB", ylim=(-75.0, 33.0))
    left.legend(loc="upper right")
    out = _repeats(DelaySettings(200.0, feedback_db=-6.0, ping_pong=True))
    for side, sign in ((0, 1.0), (1, -1.0)):
        at = np.flatnonzero(np.abs(out[:, side]) > 1e-6)[:8]
        right.vlines(
            at / RATE_HZ,
            0.0,
            sign * out[at, side],
            color=COLOURS[side],
            linestyle=DASHES[side],
            linewidth=2.0,
            label=("left", "right")[side],
        )
    every = 0.2 * np.arange(1, 9)
    turn = np.where(np.arange(8) % 2 == 0, 1.0, -1.0)
    right.plot(
        every,
        turn * math.sqrt(2.0) * 10.0 ** (-0.3 * np.arange(8)),
        linestyle="none",
        marker="_",
        color=IDEAL["color"],
        markersize=9.0,
        label="ideal",
    )
    right.axhline(0.0, color="#999999", linewidth=0.7)
    right.set(title="ping-pong, -6 dB: left up, right down", xlabel="s", xlim=(0.0, 1.8))
    right.legend(loc="lower right")
    return pictures.save(
        figure,
        "delay_repeats",
        "levels of repeats for several feedbacks, and repeats of a ping-pong delay in time",
        "Repeats of a click every 150.37 ms over straight lines, and every 200 ms in ping-pong.",
    )  # fmt: skip


def _feedback_measures() -> list[Measure]:
    rows = []
    for feedback_db, low_pass_hz in FED_BACK:
        if low_pass_hz is None:
            settings = DelaySettings(REPEAT_MS, feedback_db=feedback_db)
            level = _levels_db(_repeats(settings)[:, 0], REPEAT_MS, COUNT)
            off = float(np.abs(level - level[0] - feedback_db * np.arange(COUNT)).max())
            what = f"feedback {feedback_db:.0f} dB: repeats 1 to {COUNT} furthest from their line"
            source = "plain arithmetic, energy up to 16 kHz"
            rows.append(Measure(what, off, "dB", 0.05, source=source))
    return rows


def _ping_pong_measures() -> list[Measure]:
    out = _repeats(DelaySettings(200.0, feedback_db=-6.0, ping_pong=True))
    step = round(0.2 * RATE_HZ)
    here = np.array([out[step * (k + 1), k % 2] for k in range(8)])
    meant = math.sqrt(2.0) * 10.0 ** (-0.3 * np.arange(8))
    there = [float(np.abs(out[step * (k + 1), 1 - k % 2])) for k in range(8)]
    return [
        Measure("ping-pong: first repeat of a centred source", float(decibels(here[0])),
                "dB", 0.001, "about", 3.0103, "two equal sides summed at equal power"),
        Measure("ping-pong: eight repeats furthest from their levels",
                float(np.abs(decibels(here / meant)).max()), "dB", 0.001,
                source="plain arithmetic"),
        Measure("ping-pong: most that is heard on the other side", max(there), "", 0.0),
    ]  # fmt: skip


# --- ducking

DEPTH_DB = 12.0
SENT_DB = (0.0, -15.0, -20.0, -40.0, 0.0)


def _send() -> Samples:
    """Plus or minus one at a level for a second each: peaks are level for level."""
    random = np.random.default_rng(1)
    parts = [10.0 ** (db / 20.0) * random.choice([-1.0, 1.0], RATE_HZ) for db in SENT_DB]
    return np.concatenate(parts)


def _ducked_db(dry: Samples) -> Samples:
    """Gain in dB on the repeats of one channel over time; nothing has come out at first."""
    ducked, plain = (
        played(DelaySettings(1.0, duck_db=db), column(dry))[48:, 0] for db in (DEPTH_DB, None)
    )
    return np.concatenate([np.zeros(48), decibels(ducked / plain)])


def _meant_db(dry: Samples) -> Samples:
    """The rule of `DelaySettings.duck_db` in plain numbers."""
    fall, forget, attack, release = (
        math.exp(-1000.0 / (ms * RATE_HZ))
        for ms in (
            delay.DUCK_LEVEL_MS,
            delay.DUCK_MAXIMUM_MS,
            delay.DUCK_ATTACK_MS,
            delay.DUCK_RELEASE_MS,
        )
    )
    level = most = down = 0.0
    out = np.zeros(len(dry))
    span_db = delay.DUCK_NONE_DB - delay.DUCK_FULL_DB
    for at, heard in enumerate(np.abs(dry).tolist()):
        level, most = max(heard, fall * level), max(heard, forget * most)
        under_db = 20.0 * math.log10(most / level)
        wanted = DEPTH_DB * min(1.0, max(0.0, (delay.DUCK_NONE_DB - under_db) / span_db))
        hold = attack if wanted > down else release
        down = wanted + hold * (down - wanted)
        out[at] = -down
    return out


def _ducking(pictures: Pictures) -> tuple[Picture, list[Measure]]:
    dry = _send()
    found, meant = _ducked_db(dry), _meant_db(dry)
    seconds = np.arange(len(dry)) / RATE_HZ
    figure, (above, axes) = panels(2, 1, 3.0, sharex=True, height_ratios=[1.0, 1.8])
    above.plot(np.repeat(np.arange(6.0), 2)[1:-1], np.repeat(SENT_DB, 2), color="#555555")
    above.set(title="send", ylabel="dB", ylim=(-45.0, 5.0))
    axes.plot(*thinned(seconds, found), label="measured")
    axes.plot(*thinned(seconds, meant), **IDEAL, label="ideal")
    axes.set(title="gain on the repeats", ylabel="dB", xlabel="s", ylim=(-13.5, 1.0),
             xlim=(0.0, 5.0))  # fmt: skip
    axes.legend(loc="center right")
    picture = pictures.save(
        figure,
        "delay_ducking",
        "gain on the repeats over time while the send steps through five levels",
        "A send that is loud, 15, 20 and 40 dB softer, and loud again, and what ducks its repeats. "
        "Its recent maximum sinks by 8.7 dB in three seconds.",
    )
    settings = DelaySettings(50.0, feedback_db=-6.0, duck_db=9.0)
    noise = both_sides(np.random.default_rng(4).standard_normal(30000))
    softer = 2.0**-10
    changed = played(settings, noise) * softer != played(settings, noise * softer)
    after = 480
    return picture, [
        Measure("furthest from the rule", float(np.abs(found - meant)[48:].max()), "dB", 0.05,
                source="the rule in plain numbers"),
        Measure("fully ducked", float(found[RATE_HZ - 10]), "dB", 0.01, "about", -DEPTH_DB),
        Measure("10 ms after the send began", float(found[after]), "dB", 0.1, "about",
                -DEPTH_DB * (1.0 - math.exp(-1.0)), "63.2 % of the depth"),
        Measure("the same send 60 dB softer: samples that are not 60 dB softer",
                float(np.count_nonzero(changed)), "", 0.0, source="by design"),
    ]  # fmt: skip
