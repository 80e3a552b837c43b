"""Early reflections: the image sources of a rectangular room.

J. B. Allen and D. A. Berkley, "Image method for efficiently simulating small-room acoustics", JASA
65(4), 1979. The room is 1 : 0.74 : 0.43, source and listener off the middle of everything; left and
right are two points across the line between them. What the walls take away follows from the decay,
by C. F. Eyring's formula ("Reverberation Time in 'Dead' Rooms", JASA 1, 1930). In such a room the
images at any time carry, on average, ``4 pi c / V * exp(-13.8 t / T)`` of energy per second (an
image of energy 1/r^2, and 4 pi r^2 dr / V of them): that is the level at which the late tail joins.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from mixwright.dsp.late import factor_at
from mixwright.dsp.sinc import HALF, fractional_taps
from mixwright.units import Floats

SOUND_M_S = 343.0
# k in T = k V / A, from 24 ln(10) / c.
SABINE = 24.0 * math.log(10.0) / SOUND_M_S
PROPORTIONS = np.array([1.0, 0.74, 0.43])
# As shares of the three sides: no plane of symmetry and no simple ratio of distances.
SOURCE = np.array([0.27, 0.65, 0.36])
LISTENER = np.array([0.71, 0.71, 0.28])
# Left and right are so far apart, as a share of the longest side within these metres, on a line
# turned a little, so that what comes off floor and ceiling is not the same in both.
APART_SHARE, LEAST_APART_M, MOST_APART_M = 0.12, 0.3, 3.0
TURNED = math.radians(80.0)
# A seed moves the source by up to this share of each side.
SEED_SHARE = 0.04
# Without a size: the room in which walls that absorb about a quarter give the decay.
SIZE_PER_DECAY_S = 16.0
LEAST_SIZE_M, MOST_SIZE_M = 2.0, 60.0
# The late tail has taken over by the mixing time (20 V / S + 12 ms: A. Lindau, L. Kosanke, S.
# Weinzierl, "Perceptual evaluation of model- and signal-based predictors of the mixing time in
# binaural room impulse responses", JAES 60(11), 2012, eq. 12, where 20 is 20.08; as others quote
# it), and by a tenth of the decay: the decay is its job.
MIXING_MS_PER_M, MIXING_MS, MOST_MIXING_MS, DECAY_SHARE = 20.0, 12.0, 80.0, 0.1


@dataclass(frozen=True)
class Room:
    """A rectangular room of a size and a decay, as :func:`room_for` makes it.

    `decay_s` is the decay at 1 kHz, `factors` those on it by Hz.
    """

    size_m: float
    decay_s: float
    factors: tuple[tuple[float, float], ...] = ()
    seed: int = 1

    @property
    def sides_m(self) -> Floats:
        """Length, width and height in metres."""
        return np.asarray(self.size_m * PROPORTIONS)

    @property
    def volume_m3(self) -> float:
        """Volume in cubic metres."""
        return float(np.prod(self.sides_m))

    @property
    def surface_m2(self) -> float:
        """Area of all walls in square metres."""
        x, y, z = self.sides_m
        return float(2.0 * (x * y + y * z + z * x))

    @property
    def hand_over_s(self) -> float:
        """Seconds after the first reflection by which the late tail is alone."""
        mixing_ms = MIXING_MS_PER_M * self.volume_m3 / self.surface_m2 + MIXING_MS
        return min(min(mixing_ms, MOST_MIXING_MS) / 1000.0, DECAY_SHARE * self.decay_s)

    def wall_nepers(self, hz: Floats) -> Floats:
        """Return by how much amplitude falls at each reflection, in nepers, after Eyring.

        >>> room = Room(16.0, 1.0)
        >>> absorbed = 1.0 - math.exp(-2.0 * float(room.wall_nepers(np.array([1000.0]))[0]))
        >>> round(absorbed, 2)
        0.24
        """
        decays = self.decay_s * factor_at(hz, self.factors)
        return np.asarray(0.5 * SABINE * self.volume_m3 / (self.surface_m2 * decays))

    def late_power(self, rate_hz: int) -> float:
        """Return the power per sample from which the late tail decays, when sound set out."""
        return 4.0 * math.pi * SOUND_M_S / (self.volume_m3 * rate_hz)


@dataclass(frozen=True)
class Echoes:
    """Reflections: seconds from the sound's setting out, amplitude 1/r, wall contacts, side."""

    seconds: Floats
    amplitudes: Floats
    contacts: NDArray[np.int64]
    sides: NDArray[np.int64]


def room_for(
    decay_s: float, size_m: float | None, factors: tuple[tuple[float, float], ...], seed: int
) -> Room:
    """Return the room; without a size it has 16 m of length for each second of decay.

    >>> room_for(0.5, None, (), 1).size_m
    8.0
    """
    if size_m is None:
        size_m = min(max(SIZE_PER_DECAY_S * decay_s, LEAST_SIZE_M), MOST_SIZE_M)
    return Room(size_m, decay_s, factors, seed)


def echoes_of(room: Room) -> Echoes:
    """Return what reaches both sides until the late tail is alone, in order of time.

    The direct sound is left out: it is the dry signal.
    """
    source, points = _placed(room)
    nearest = min(_first_path_m(room, source, point) for point in points)
    longest = nearest + SOUND_M_S * room.hand_over_s
    reach = [range(-k, k + 1) for k in np.ceil(longest / (2.0 * room.sides_m)).astype(int)]
    cells = np.stack(np.meshgrid(*reach, indexing="ij"), axis=-1).reshape(-1, 1, 3)
    flips = np.indices((2, 2, 2)).reshape(3, -1).T[None, :, :]
    contacts = np.sum(np.abs(cells - flips) + np.abs(cells), axis=2).reshape(-1)
    images = ((1 - 2 * flips) * source + 2 * cells * room.sides_m).reshape(-1, 3)
    found = []
    for side, point in enumerate(points):
        path = np.linalg.norm(images - point, axis=1)
        heard = (contacts > 0) & (path < longest)
        order = np.full(int(heard.sum()), side)
        found.append((path[heard] / SOUND_M_S, 1.0 / path[heard], contacts[heard], order))
    seconds, amplitudes, hits, sides = (np.concatenate(each) for each in zip(*found, strict=True))
    order = np.argsort(seconds, kind="stable")
    return Echoes(seconds[order], amplitudes[order], hits[order], sides[order])


def early_response(room: Room, rate_hz: int) -> tuple[Floats, float]:
    """Return the early reflections ``(samples, 2)`` and the seconds the first was on its way.

    Sample 0 is the first reflection. They fade as the late tail comes up; both sides have the same
    energy.
    """
    echoes = echoes_of(room)
    first_s = float(echoes.seconds[0])
    after_s = echoes.seconds - first_s
    gains = echoes.amplitudes * np.cos(0.5 * np.pi * np.minimum(after_s / room.hand_over_s, 1.0))
    length = math.ceil(room.hand_over_s * rate_hz) + 2 * HALF
    shape = (int(echoes.contacts.max()) + 1, 2, length)
    by_contacts = np.zeros(shape)
    at = after_s * rate_hz
    whole = np.floor(at + 1e-9)
    taps = fractional_taps(np.where(at - whole < 1e-9, 0.0, at - whole)) * gains[:, None]
    places = whole.astype(int)[:, None] + np.arange(HALF, -HALF, -1)
    inside = (places >= 0) & (places < length)
    rows = np.broadcast_to(echoes.contacts[:, None], places.shape)[inside]
    sides = np.broadcast_to(echoes.sides[:, None], places.shape)[inside]
    np.add.at(by_contacts, (rows, sides, places[inside]), taps[inside])
    response = _through_walls(by_contacts, room, rate_hz)
    energy = np.sum(response**2, axis=1, keepdims=True)
    response *= np.sqrt(energy.mean() / np.maximum(energy, 1e-300))
    return np.ascontiguousarray(response.T), first_s


def _placed(room: Room) -> tuple[Floats, list[Floats]]:
    moved = np.random.default_rng((room.seed, 1)).uniform(-SEED_SHARE, SEED_SHARE, 3)
    source = (SOURCE + moved) * room.sides_m
    listener = LISTENER * room.sides_m
    ahead = source - listener
    bearing = math.atan2(ahead[1], ahead[0]) + TURNED
    left = np.array([math.cos(bearing), math.sin(bearing), 0.0])
    apart = min(max(APART_SHARE * room.size_m, LEAST_APART_M), MOST_APART_M)
    return source, [listener + 0.5 * apart * left, listener - 0.5 * apart * left]


def _first_path_m(room: Room, source: Floats, point: Floats) -> float:
    """The shortest path over one wall."""
    paths = []
    for axis, side in enumerate(room.sides_m):
        for wall in (0.0, side):
            image = source.copy()
            image[axis] = 2.0 * wall - image[axis]
            paths.append(float(np.linalg.norm(image - point)))
    return min(paths)


def _through_walls(by_contacts: Floats, room: Room, rate_hz: int) -> Floats:
    """The sum over numbers of wall contacts, each as often through the loss of a wall.

    Walls that absorb by frequency do so with minimum phase (from the cepstrum of the loss), so that
    nothing comes before its time.
    """
    from scipy import fft

    orders = np.arange(len(by_contacts))
    if not room.factors:
        loss = float(room.wall_nepers(np.array([1000.0]))[0])
        return np.asarray(np.einsum("n,ncf->cf", np.exp(-loss * orders), by_contacts))
    length = by_contacts.shape[2]
    size = fft.next_fast_len(2 * length + 4096, real=True)
    hz = np.maximum(fft.rfftfreq(size, 1.0 / rate_hz), 1.0)
    cepstrum = fft.irfft(-room.wall_nepers(hz), size)
    cepstrum[1 : (size + 1) // 2] *= 2.0
    cepstrum[size // 2 + 1 :] = 0.0
    wall = fft.rfft(cepstrum)
    spectra = fft.rfft(by_contacts, size, axis=2)
    total = np.einsum("nf,ncf->cf", np.exp(wall * orders[:, None]), spectra)
    return np.asarray(fft.irfft(total, size, axis=1)[:, :length])
