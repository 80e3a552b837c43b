"""Equaliser: bands in order, each a few second-order sections, on both channels or on mid or side.

Designs come from :mod:`mixwright.dsp.filters`; this file holds the settings and the running
cascade (transposed direct form II, float64 state). Bands that move are in
:mod:`mixwright.dsp.sweep`. Keeping a track's level is not done here: the rendering room measures
what an EQ did to the level and takes it back.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import groupby

import numpy as np

from mixwright.dsp.band import GAIN_TYPES, BandSettings
from mixwright.dsp.contract import bounds_of
from mixwright.dsp.curve import Curve
from mixwright.dsp.filters import Sections, design_bands
from mixwright.dsp.sweep import RunningSweep, tail_of
from mixwright.units import FADED, Block, Floats

# State that has faded is looked for every so many frames.
FADE_FRAMES = 16384


@dataclass(frozen=True)
class BandRide:
    """How the band at index `band` moves over the song, in place of its own frequency and gain.

    Curves are in samples of the song: `freq_hz` yields Hz, `gain_db` is plain and yields dB.
    """

    band: int
    freq_hz: Curve | None = None
    gain_db: Curve | None = None

    def __post_init__(self) -> None:
        for name, bounds in bounds_of(BandSettings).items():
            curve: Curve | None = getattr(self, name, None)
            if curve is None:
                continue
            if curve.unit == "dB":
                raise ValueError(f"{name} rides in dB as gains, expected values")
            for value in (curve.initial, *(move.value for move in curve.moves)):
                if not bounds.low <= value <= bounds.high:
                    expected = f"expected between {bounds.low:g} and {bounds.high:g}"
                    raise ValueError(f"{name} rides to {value:g}, {expected}")


@dataclass(frozen=True)
class EqSettings:
    """Bands in the order they are applied, and the rides of those that move."""

    bands: tuple[BandSettings, ...] = ()
    rides: tuple[BandRide, ...] = ()

    def __post_init__(self) -> None:
        ridden = [ride.band for ride in self.rides]
        if len(set(ridden)) < len(ridden):
            raise ValueError("a band has two rides, expected one")
        for ride in self.rides:
            if not 0 <= ride.band < len(self.bands):
                raise ValueError(f"there is no band {ride.band} to ride")
            kind = self.bands[ride.band].type
            if ride.gain_db is not None and kind not in GAIN_TYPES:
                raise ValueError(f"a {kind} has no gain_db to ride")

    def start(self, rate_hz: int, channels: int, at: int = 0) -> RunningEq:
        """Return a running EQ; bands that do nothing are left out, bit for bit.

        `at` is the song sample of the first frame it will see: rides are in song time. ValueError
        for a band on mid or side with one channel.

        >>> neutral = EqSettings((BandSettings("bell", 900.0, 0.0),)).start(48000, 2)
        >>> neutral.process(np.array([[0.25, -0.5]])).tolist()
        [[0.25, -0.5]]
        """
        return RunningEq(self, rate_hz, channels, at)


class RunningCascade:
    """A cascade of second-order sections with its state; filters each block in place."""

    latency = 0

    def __init__(self, sections: Floats, channels: int) -> None:
        self.sections = np.array(sections, order="C")
        self.state = np.zeros((len(sections), 2, channels))
        self._rows = np.ascontiguousarray(np.repeat(self.sections[:, :, None], 2, axis=2))
        self._fading = _Fading(self.state)

    @property
    def tail(self) -> int:
        """Samples until the slowest pole has decayed by `TAIL_DB`."""
        return tail_of(self.sections)

    def process(self, block: Block) -> Block:
        """Filter `block` (frames, channels) in place and return it."""
        from mixwright.dsp.kernels.cascade import run_cascade

        for part in self._fading.stretches(block):
            if part.shape[1] == 1 or not part.flags.c_contiguous:
                run_cascade(self.sections, self.state, part)
            else:
                _run_lanes(self._rows, self.state, part)
        return block


class _MidSideCascade:
    """One cascade on mid and another on side, of a block that holds those two."""

    def __init__(self, mid: Sections, side: Sections) -> None:
        self.tail = max(tail_of(mid), tail_of(side))
        self._rows = np.zeros((max(len(mid), len(side)), 5, 2))
        self._rows[:, 0] = 1.0
        self._rows[: len(mid), :, 0], self._rows[: len(side), :, 1] = mid, side
        self._state = np.zeros((len(self._rows), 2, 2))
        self._fading = _Fading(self._state)

    def process(self, block: Block) -> Block:
        for part in self._fading.stretches(block):
            if part.flags.c_contiguous:
                _run_lanes(self._rows, self._state, part)
            else:
                part[:] = _run_lanes(self._rows, self._state, np.ascontiguousarray(part))
        return block


class _Fading:
    """Lets go what has faded in the state of filters, at places that no cut into blocks moves.

    After a sound that ends in digital silence, rounding keeps filters ringing among the smallest
    numbers there are for ever. Many processors take a hundred times as long over these, here and in
    all that follows.
    """

    def __init__(self, state: Block) -> None:
        self._state, self._left = state, FADE_FRAMES

    def stretches(self, block: Block) -> Iterator[Block]:
        """Yield the parts of a block to be filtered one after the other."""
        at = 0
        while at < len(block):
            part = block[at : at + self._left]
            yield part
            at += len(part)
            self._left -= len(part)
            if not self._left:
                self._state[np.abs(self._state) < FADED] = 0.0
                self._left = FADE_FRAMES


def _run_lanes(rows: Sections, state: Block, block: Block) -> Block:
    """Filter a contiguous `block` (frames, 2) in place; each channel has its own coefficients."""
    from mixwright.dsp.kernels.lanes import BY_COUNT, MOST_SECTIONS

    for first in range(0, len(rows), MOST_SECTIONS):
        count = min(MOST_SECTIONS, len(rows) - first)
        BY_COUNT[count - 1](rows[first:], state[first:], block)
    return block


RunningBands = RunningCascade | _MidSideCascade | RunningSweep


class RunningEq:
    """Bands at work. Neighbours that stay as they are and work on the same run as one cascade."""

    latency = 0

    def __init__(self, settings: EqSettings, rate_hz: int, channels: int, at: int) -> None:
        if channels == 1 and any(band.on != "both" for band in settings.bands):
            raise ValueError("there is one channel, expected two for a band on mid or side")
        self._stages: list[tuple[bool, RunningBands]] = []
        for kind, group in groupby(_ridden(settings), lambda pair: _kind(*pair)):
            pairs = list(group)
            if kind == "moving":
                for band, ride in pairs:
                    lanes = {"both": range(channels), "mid": range(1), "side": range(1, 2)}[band.on]
                    sweep = RunningSweep(band, (ride.freq_hz, ride.gain_db), rate_hz, at, lanes)
                    self._stages.append((band.on != "both", sweep))
                continue
            mid, side = (
                design_bands(tuple(b for b, _ in pairs if b.on in ("both", on)), rate_hz)
                for on in ("mid", "side")
            )
            plain = kind == "both"
            stage = RunningCascade(mid, channels) if plain else _MidSideCascade(mid, side)
            self._stages.append((not plain, stage))

    @property
    def tail(self) -> int:
        """Samples until the slowest pole has decayed by `TAIL_DB`."""
        return max((stage.tail for _, stage in self._stages), default=0)

    def process(self, block: Block) -> Block:
        """Filter `block` (frames, channels) in place and return it."""
        in_mid_side = False
        for on_mid_side, stage in self._stages:
            in_mid_side = _turned(block, in_mid_side, on_mid_side)
            stage.process(block)
        _turned(block, in_mid_side, False)
        return block


def _turned(block: Block, is_mid_side: bool, wanted: bool) -> bool:
    """Turn `block` to or from mid and side where it is not as wanted; return what it is now."""
    if is_mid_side != wanted:
        from mixwright.dsp.kernels.sweep import to_left_right, to_mid_side

        (to_mid_side if wanted else to_left_right)(block)
    return wanted


def _ridden(settings: EqSettings) -> list[tuple[BandSettings, BandRide]]:
    """The bands that do something, with what moves about them."""
    rides = {ride.band: ride for ride in settings.rides}
    found = []
    for index, own in enumerate(settings.bands):
        ride = rides.get(index, BandRide(index))
        freq, gain = ride.freq_hz, ride.gain_db
        band = own
        if freq is not None and freq.is_constant:
            band, freq = replace(band, freq_hz=freq.initial), None
        if gain is not None and gain.is_constant:
            band, gain = replace(band, gain_db=gain.initial), None
        if gain is not None or not band.does_nothing:
            found.append((band, BandRide(index, freq, gain)))
    return found


def _kind(band: BandSettings, ride: BandRide) -> str:
    """What can run as one with a neighbour of the same kind; moving bands run by themselves."""
    if ride.freq_hz is not None or ride.gain_db is not None:
        return "moving"
    return "both" if band.on == "both" else "mid/side"
