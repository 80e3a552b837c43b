"""How loud rooms are, synthesised and recorded, and what a recording becomes."""

from __future__ import annotations

import numpy as np
import scipy.signal

import room_acoustics as acoustics
from mixwright.dsp.impulse import ImpulseSettings, prepared_impulse
from mixwright.dsp.reverb import ReverbSettings, synthesise_impulse
from mixwright.meters import LoudnessMeter
from sound_figures.drawing import IDEAL, LIMIT, Pictures, panels
from sound_figures.page import Measure, Picture
from sound_figures.signals import RATE_HZ, Samples, pink

DECAYS_S = (0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0)
BY_BS_1770 = "ITU-R BS.1770-5 reads both; the limit is ours"


def _louder_lu(response: Samples) -> float:
    """Wet against dry loudness of centred pink noise, once the room has filled."""
    dry = pink(4 * RATE_HZ + len(response), 5)
    settled = len(response)
    wet = scipy.signal.oaconvolve(np.column_stack([dry, dry]), response, axes=0)
    found = []
    for block in (np.column_stack([dry, dry]), wet[: len(dry)]):
        meter = LoudnessMeter(RATE_HZ, 2)
        meter.feed(np.ascontiguousarray(block[settled:]))
        found.append(float(meter.integrated_lufs))
    return found[1] - found[0]


def loudness(pictures: Pictures) -> tuple[Picture, list[Measure]]:
    figure, (axes,) = panels(1, 1, 2.2)
    rows = []
    for label, early_db in (("with early reflections", 0.0), ("without", None)):
        louder = [
            _louder_lu(synthesise_impulse(ReverbSettings(d, early_db=early_db), RATE_HZ))
            for d in DECAYS_S
        ]
        axes.plot(DECAYS_S, louder, marker="o", markersize=3.5, label=label)
        rows.append(
            Measure(
                f"decays of 0.1 to 20 s, {label}: wet over dry, furthest from equal",
                float(np.abs(louder).max()),
                "LU",
                0.5,
                source=BY_BS_1770,
            )
        )
    for limit in (-0.5, 0.5):
        axes.axhline(limit, **LIMIT)
    axes.set(xscale="log", xlabel="decay, s", ylabel="wet over dry, LU", ylim=(-0.7, 0.7))
    axes.set_xticks(DECAYS_S, [f"{d:g}" for d in DECAYS_S])
    axes.set_xticks([], minor=True)
    axes.legend(loc="upper right", ncols=2)
    shows = "loudness of the wet signal over the dry one against decay"
    return pictures.save(figure, "reverb_loudness", shows), rows  # fmt: skip


# --- a recorded room


def _recording() -> Samples:
    random = np.random.default_rng(8)
    lead, frames = round(0.2 * RATE_HZ), round(1.7 * RATE_HZ)
    room = np.zeros((frames, 2))
    decay = 10.0 ** (-3.0 * np.arange(frames - lead) / RATE_HZ / 0.6)
    room[lead:] = random.standard_normal((frames - lead, 2)) * decay[:, None]
    return np.asarray(0.1 * (room + 10.0**-2.5 * random.standard_normal((frames, 2))))


def recorded(pictures: Pictures) -> tuple[Picture, list[Measure]]:
    recording = _recording()
    prepared = prepared_impulse(recording, ImpulseSettings(1.7), RATE_HZ)
    figure, (axes,) = panels(1, 1, 2.4)
    window = RATE_HZ // 200
    for name, response in (("as recorded", recording), ("as used", prepared)):
        power = np.mean(
            response[: len(response) // window * window].reshape(-1, window, 2) ** 2, axis=(1, 2)
        )
        level = 10.0 * np.log10(power / power.max())
        axes.plot(np.arange(len(level)) * window / RATE_HZ, level, label=name)
    seconds = np.array([0.0, 0.6])
    axes.plot(seconds, -60.0 * seconds / 0.6, **IDEAL, label="60 dB in 0.6 s")
    axes.set(xlabel="s", ylabel="dB", ylim=(-65.0, 4.0), xlim=(-0.02, 1.7))
    axes.legend(loc="upper right")
    shows = "level over time of a recorded response before and after it is prepared"
    picture = pictures.save(figure, "reverb_recorded", shows)
    loud = np.flatnonzero(np.abs(prepared).max(axis=1) > 0.05 * np.abs(prepared).max())
    band = acoustics.octave_band(prepared[:, 0], 2000.0, RATE_HZ)
    return picture, [
        Measure("onset lies after the start of the response by", 1000.0 * float(loud[0]) / RATE_HZ,
                "ms", 1.1, source="ours: 1 ms is kept"),
        Measure("ends, where the decay meets the noise", len(prepared) / RATE_HZ, "s", 0.06,
                "about", 0.5, "50 dB at 60 dB in 0.6 s"),
        Measure("T30 of its 2 kHz octave", acoustics.decay_time_s(band, RATE_HZ), "s", 0.03,
                "about", 0.6, "ISO 3382-1:2009; 5 %"),
        Measure("wet over dry", _louder_lu(prepared), "LU", 0.5, "about", 0.0,
                BY_BS_1770),
    ]  # fmt: skip
