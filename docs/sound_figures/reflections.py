"""Early reflections of a synthesised room, against mirrors by hand."""

from __future__ import annotations

import math

import numpy as np
import scipy.signal

from mixwright.dsp import early
from mixwright.dsp.early import SOUND_M_S, echoes_of, room_for
from mixwright.dsp.reverb import ReverbSettings, synthesise_impulse
from sound_figures.drawing import COLOURS, Pictures, panels, thinned
from sound_figures.page import Measure, Picture
from sound_figures.signals import RATE_HZ, Samples, decibels


def reflections(pictures: Pictures) -> tuple[Picture, list[Measure]]:
    settings = ReverbSettings(3.0)
    room = room_for(settings.decay_s, settings.size_m, settings.decay_by_band, settings.seed)
    echoes = echoes_of(room)
    after_ms = 1000.0 * (echoes.seconds - echoes.seconds[0])
    impulse = synthesise_impulse(settings, RATE_HZ)
    figure, axes = panels(2, 1, 3.4, sharex=True)
    count = round(0.06 * RATE_HZ)
    ms = np.arange(count) * 1000.0 / RATE_HZ
    scale = np.abs(impulse[:count]).max()
    for side, panel in enumerate(axes):
        level = np.maximum(decibels(impulse[:count, side] / scale), -60.0)
        panel.plot(*thinned(ms, level, 1500), color=COLOURS[side], linewidth=0.8, linestyle="-")
        mine = echoes.sides == side
        for contacts, marker in ((1, "v"), (2, "o")):
            chosen = mine & (echoes.contacts == contacts) & (after_ms < 60.0)
            panel.plot(
                after_ms[chosen],
                np.full(chosen.sum(), 5.0),
                marker,
                color="#222222",
                markersize=4.0,
                label=f"{contacts} wall" + ("s" if contacts > 1 else ""),
            )
        panel.set(title=("left", "right")[side], ylabel="dB", ylim=(-50.0, 10.0), xlim=(-1.0, 60.0))
    axes[1].set_xlabel("ms after the first reflection")
    axes[0].legend(loc="upper right", ncols=2, bbox_to_anchor=(1.0, 1.28))
    shows = "the first 60 ms of a room left and right, with the times of its image sources"
    caption = "Marks: where the images of one wall and of two must arrive."
    picture = pictures.save(figure, "reverb_reflections", shows, caption)
    meant = [
        (side, 1000.0 * (path / SOUND_M_S - float(echoes.seconds[0])))
        for side, paths in enumerate(_one_wall_paths_m(room))
        for path in paths
    ]
    off = [_nearest_peak_off_ms(impulse[:, side], at) for side, at in meant if at < 40.0]
    return picture, [
        Measure(f"{len(off)} reflections off one wall: peaks furthest from their place", max(off),
                "ms", 0.021, source="length of the path at 343 m/s; the limit is one sample"),
    ]  # fmt: skip


def _one_wall_paths_m(room: early.Room) -> list[list[float]]:
    """Lengths of the paths over one wall to left and right, by mirroring the source by hand."""
    moved = np.random.default_rng((room.seed, 1)).uniform(-early.SEED_SHARE, early.SEED_SHARE, 3)
    source, listener = (early.SOURCE + moved) * room.sides_m, early.LISTENER * room.sides_m
    bearing = math.atan2(*(source - listener)[1::-1]) + early.TURNED
    apart_m = early.APART_SHARE * room.size_m
    apart_m = min(max(apart_m, early.LEAST_APART_M), early.MOST_APART_M)
    left = 0.5 * apart_m * np.array([math.cos(bearing), math.sin(bearing), 0.0])
    images = []
    for axis, length in enumerate(room.sides_m):
        for wall in (0.0, float(length)):
            image = source.copy()
            image[axis] = 2.0 * wall - source[axis]
            images.append(image)
    return [[math.dist(image, listener + way) for image in images] for way in (left, -left)]


def _nearest_peak_off_ms(channel: Samples, meant_ms: float) -> float:
    """Distance from a time to the nearest peak of the response, read between its samples."""
    lead, fine = 64, 16
    padded = np.concatenate([np.zeros(lead), channel[: RATE_HZ // 10]])
    dense = np.abs(scipy.signal.resample_poly(padded, fine, 1))
    peaks = 1 + np.flatnonzero((dense[1:-1] > dense[:-2]) & (dense[1:-1] >= dense[2:]))
    near = peaks[dense[peaks] > 0.1 * dense.max()]
    at_ms = (near / fine - lead) * 1000.0 / RATE_HZ
    return float(np.abs(at_ms - meant_ms).min())
