"""Second-order sections that follow an analogue magnitude up to the top of hearing.

The bilinear transform squeezes all frequencies from half the sample rate to infinity into the top
of the band: a bell at 10 kHz comes out too narrow. But it only renames the frequency axis: each
digital filter is some analogue one seen through ``s -> (1/K) (1 - 1/z) / (1 + 1/z)``. So we look
for the analogue filter that, after the renaming, lies on the magnitude that was asked for: damping
and frequency of each pole and zero pair are moved by damped least squares on the level in dB
(K. Levenberg, "A method for the solution of certain non-linear problems in least squares", 1944;
D. Marquardt, "An algorithm for least-squares estimation of nonlinear parameters", Journal of the
Society for Industrial and Applied Mathematics 11(2), 1963), from the plain transform's filter on.
Damping and frequency go in as logarithms: no step can lead to an unstable filter, nor to one whose
inverse is unstable. At the bottom of the band nothing is lost to rounding, as all frequencies are
relative to that of the band.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from mixwright.units import Floats

Polynomial = tuple[float, float, float]

# What counts as good: dB of error up to where hearing is sharp, and up to where it ends; at rates
# under 44.1 kHz, up to the same shares of the rate. Beyond, it may be louder than asked for by so
# much, but nowhere louder than the loudest asked for: it may stand in the loop of an echo.
TIGHT_HZ, TIGHT_SHARE, TIGHT_DB = 16000.0, 0.363, 0.03
LOOSE_HZ, LOOSE_SHARE, LOOSE_DB = 20000.0, 0.4535, 0.08
BEYOND_DB = 5.0
# A fit stops at this share of what counts as good.
ENOUGH = 1.0 / 3.0
# Where no more than this share of the power is left, all that matters is that it is little.
DEEP_POWER = 1e-6
WEIGHTS_TIGHT_LOOSE_BEYOND_DEEP = (1.0, 0.6, 0.05, 0.03)
LAST_SHARE_OF_NYQUIST = 0.9999
# Zeros that the analogue filter has at infinity begin at this share of the rate.
FAR_SHARE = 0.31
MOST_STEPS, LONGEST_STEP, LEAST_PROGRESS = 30, 1.5, 1e-5
# No pair may resonate with a Q above 8 or twice that of the sharpest one to begin with: what is
# narrower could rise between two points of the grid. Damping is ln(1/2Q²).
LEAST_DAMPING, LEAST_DAMPING_MORE = math.log(1.0 / 128.0), -math.log(4.0)


@dataclass(frozen=True)
class Prototype:
    """An analogue filter of up to second order: ``top(s) / bottom(s)``.

    s is relative to the filter's frequency; coefficients are those of 1, s and s², and the first
    one of `bottom` is above 0.

    >>> bell = Prototype((1.0, 2.0, 1.0), (1.0, 0.5, 1.0))
    >>> bell.power(np.array([0.0, 1.0])).tolist()
    [1.0, 16.0]
    """

    top: Polynomial
    bottom: Polynomial

    def power(self, freq_squared: Floats) -> Floats:
        """Return the power gain at squares of frequencies relative to the prototype's."""
        return _power(self.top, freq_squared) / _power(self.bottom, freq_squared)


def _centre(polynomial: Polynomial) -> float:
    """Where a pole or zero pair resonates, relative to the prototype's frequency."""
    first, _, last = polynomial
    return round(math.sqrt(first / last), 9) if first > 0.0 and last > 0.0 else 1.0


def _power(polynomial: Polynomial, v: Floats) -> Floats:
    c0, c1, c2 = polynomial
    return np.asarray((c0 - c2 * v) ** 2 + c1 * c1 * v)


def analogue_power(prototypes: Sequence[Prototype], freq_squared: Floats) -> Floats:
    """Return the power gain of several prototypes in a row, as :meth:`Prototype.power`."""
    gain = np.ones_like(freq_squared)
    for prototype in prototypes:
        gain = gain * prototype.power(freq_squared)
    return gain


@dataclass(frozen=True)
class FitTarget:
    """What is asked for, on a grid of frequencies.

    `warped` holds the grid as the bilinear transform sees it, as squares of tan(w/2) relative to
    `scale`. `power` is the power gain asked for, `weight` how much each point counts.
    """

    hz: Floats
    warped: Floats
    power: Floats
    weight: Floats
    scale: float

    @cached_property
    def levels(self) -> Floats:
        """The natural logarithm of `power`."""
        return np.asarray(np.log(self.power))

    @cached_property
    def log_warped(self) -> Floats:
        """The natural logarithm of `warped`."""
        return np.asarray(np.log(self.warped))

    def score(self, power: Floats) -> float:
        """Return the worst error of a power gain in units of what counts as good: 1 is good."""
        excess = 10.0 * np.log10(np.maximum(power, 1e-300) / self.power)
        error = np.abs(excess)
        error[self.power < DEEP_POWER] = 0.0
        top = self.hz[-1] / LAST_SHARE_OF_NYQUIST
        tight = self.hz <= min(TIGHT_HZ, 2.0 * TIGHT_SHARE * top)
        loose = self.hz <= min(LOOSE_HZ, 2.0 * LOOSE_SHARE * top)
        lift = 10.0 * math.log10(power.max() / self.power.max())
        return max(
            float(error[tight].max()) / TIGHT_DB,
            float(error[loose].max()) / LOOSE_DB,
            float(excess[~loose].max()) / BEYOND_DB,
            lift / LOOSE_DB,
        )


def target_of(prototypes: Sequence[Prototype], freq_hz: float, rate_hz: int) -> FitTarget:
    """Lay out the grid for prototypes at `freq_hz`: even, logarithmic, dense about resonances."""
    last = LAST_SHARE_OF_NYQUIST * rate_hz / 2.0
    lowest = max(1.0, min(freq_hz / 30.0, 20.0))
    centres = {_centre(polynomial) for p in prototypes for polynomial in (p.top, p.bottom)}
    around = 2.0 ** (3.0 * np.linspace(-1.0, 1.0, 61) ** 3)
    grid = [np.geomspace(lowest, last, 70), np.linspace(last / 50.0, 0.998 * last, 90)]
    grid.append(last - last * np.geomspace(0.05, 2e-4, 16))
    grid += [freq_hz * centre * around for centre in sorted(centres)]
    hz = np.sort(np.concatenate(grid))
    hz = hz[hz <= last]
    power = analogue_power(prototypes, (hz / freq_hz) ** 2)
    tight, loose, beyond, deep = WEIGHTS_TIGHT_LOOSE_BEYOND_DEEP
    weight = np.where(hz < 1.03 * TIGHT_HZ, tight, np.where(hz < 1.005 * LOOSE_HZ, loose, beyond))
    weight = np.where(power < DEEP_POWER, deep, weight)
    scale = math.tan(math.pi * min(freq_hz / rate_hz, 0.49))
    return FitTarget(hz, (np.tan(np.pi * hz / rate_hz) / scale) ** 2, power, weight, scale)


class Fit:
    """A row of sections on its way to a target.

    Each factor of a section is a run of parameters: a quadratic ``1 + c1 s + c2 s²`` is
    (ln c1²/2c2, ln c2), a line ``1 + c1 s`` is (ln c1²,). Powers of s in front stay as they are.
    Where the prototypes let 0 Hz through, the gain there stays exactly theirs.

    >>> low_pass = Prototype((1.0, 0.0, 0.0), (1.0, 1.0, 0.0))
    >>> fit = Fit([low_pass], target_of([low_pass], 9000.0, 48000))
    >>> fit.run()
    >>> fit.score < 1.0, fit.rows().shape
    (True, (1, 5))
    """

    def __init__(self, prototypes: Sequence[Prototype], target: FitTarget) -> None:
        self._target = target
        self._far = math.tan(FAR_SHARE * math.pi) / target.scale
        self._rises: list[int] = []
        self._factors: list[tuple[int, slice]] = []
        self._values = np.zeros(1)
        for prototype in prototypes:
            rise = next(k for k, c in enumerate(prototype.top) if c > 0.0)
            first = prototype.top[rise], prototype.bottom[0]
            self._values[0] += 2.0 * math.log(first[0] / first[1])
            top = [c / first[0] for c in prototype.top[rise:]]
            bottom = [c / first[1] for c in prototype.bottom]
            self._add(rise, _parameters(top, self._far), _parameters(bottom, self._far))
        dampings = [self._values[where.start] for where in self._quadratics()]
        self._least_damping = min(min(dampings) + LEAST_DAMPING_MORE, LEAST_DAMPING)

    def _add(self, rise: int, top: list[float], bottom: list[float]) -> None:
        self._rises.append(rise)
        for sign, values in ((1, top), (-1, bottom)):
            begin = len(self._values)
            self._values = np.append(self._values, values)
            self._factors.append((sign, slice(begin, begin + len(values))))

    def extend(self) -> None:
        """Add a section that does nothing yet: two zeros on two poles, near the top of the band."""
        size = -2.0 * math.log(self._far)
        self._add(0, [math.log(2.0), size + 0.1], [math.log(2.0), size])

    @property
    def power(self) -> Floats:
        """The power gain of the sections now, on the target's grid."""
        return np.asarray(np.exp(self._levels(self._values)))

    @property
    def score(self) -> float:
        """How far off the sections are now, see :meth:`FitTarget.score`."""
        return self._target.score(self.power)

    def run(self) -> None:
        """Move the parameters until the target is met, or no step helps any more."""
        levels, caution = self._levels(self._values), 1e-3
        for _ in range(MOST_STEPS):
            if self._target.score(np.exp(levels)) < ENOUGH:
                break
            before = self._cost(levels)
            step = self._step(levels, caution)
            if step is None:
                break
            self._values, levels, caution = step
            if self._cost(levels) > (1.0 - LEAST_PROGRESS) * before:
                break
        # What differs between machines lies far behind the ninth decimal.
        self._values = np.round(self._values, 9)

    def _cost(self, levels: Floats) -> float:
        return float((((levels - self._target.levels) * self._target.weight) ** 2).sum())

    def _step(self, levels: Floats, caution: float) -> tuple[Floats, Floats, float] | None:
        """Return better parameters, their levels and the caution for the next step."""
        weight = self._target.weight
        slopes = self._slopes() * weight
        normal, pull = slopes @ slopes.T, slopes @ ((levels - self._target.levels) * weight)
        own, cost = np.diagonal(normal), self._cost(levels)
        for _ in range(8):
            damped = normal + np.diag(caution * own + 1e-12 * own.max())
            step = np.clip(np.linalg.solve(damped, pull), -LONGEST_STEP, LONGEST_STEP)
            values = self._bounded(self._values - step)
            found = self._levels(values)
            if self._cost(found) < cost:
                return values, found, max(caution / 8.0, 1e-9)
            caution *= 6.0
        return None

    def _quadratics(self) -> list[slice]:
        return [where for _, where in self._factors if where.stop - where.start == 2]

    def _bounded(self, values: Floats) -> Floats:
        for where in self._quadratics():
            values[where.start] = max(values[where.start], self._least_damping)
        return values

    def _levels(self, values: Floats) -> Floats:
        """The natural logarithm of the power gain on the grid."""
        u = self._target.warped
        levels = values[0] + sum(self._rises) * self._target.log_warped
        for sign, where in self._factors:
            own = values[where]
            if len(own) == 2:
                size = math.exp(own[1])
                spread = 2.0 * size * math.expm1(own[0])
                levels = levels + sign * np.log(1.0 + u * (spread + size * size * u))
            elif len(own) == 1:
                levels = levels + sign * np.log1p(math.exp(own[0]) * u)
        return np.asarray(levels)

    def _slopes(self) -> Floats:
        """Derivatives of the levels by each parameter, shape (parameters, grid)."""
        u = self._target.warped
        slopes = np.zeros((len(self._values), len(u)))
        slopes[0] = 1.0 if sum(self._rises) else 0.0
        for sign, where in self._factors:
            own = self._values[where]
            if len(own) == 2:
                size = math.exp(own[1])
                spread, square = 2.0 * size * math.expm1(own[0]), size * size * u
                over = sign * u / (1.0 + u * (spread + square))
                slopes[where] = over * (spread + 2.0 * size), over * (spread + 2.0 * square)
            elif len(own) == 1:
                part = math.exp(own[0]) * u
                slopes[where] = sign * part / (1.0 + part)
        return slopes

    def rows(self) -> Floats:
        """Return the sections as rows ``b0 b1 b2 a1 a2``, shape (sections, 5)."""
        rows = []
        for index, rise in enumerate(self._rises):
            (_, top), (_, bottom) = self._factors[2 * index : 2 * index + 2]
            upper = ([0.0] * rise + _polynomial(self._values[top]) + [0.0, 0.0])[:3]
            b, a = (
                _transformed(polynomial, self._target.scale)
                for polynomial in (upper, _polynomial(self._values[bottom]))
            )
            rows.append(np.concatenate([b, a[1:]]) / a[0])
        rows[0][:3] *= math.exp(0.5 * self._values[0])
        return np.array(rows)


def _parameters(polynomial: list[float], far: float) -> list[float]:
    """Parameters of a factor ``1 + ...``, made up to its full order by lines at `far`."""
    while len(polynomial) > 1 and polynomial[-1] == 0.0:
        degree = max(k for k, c in enumerate(polynomial) if c > 0.0)
        for k in range(degree + 1, 0, -1):
            polynomial[k] += polynomial[k - 1] / far
    if len(polynomial) == 3:
        _, c1, c2 = polynomial
        return [math.log(c1 * c1 / (2.0 * c2)), math.log(c2)]
    return [math.log(c * c) for c in polynomial[1:]]


def _polynomial(parameters: Floats) -> list[float]:
    """The factor that :func:`_parameters` describes: coefficients of 1, s, s²."""
    if len(parameters) == 2:
        size = math.exp(parameters[1])
        return [1.0, math.sqrt(2.0 * size * math.exp(parameters[0])), size]
    return [1.0, *(math.exp(0.5 * value) for value in parameters)]


def _transformed(polynomial: Sequence[float], scale: float) -> Floats:
    """The bilinear transform: coefficients of 1, 1/z, 1/z², all times the same."""
    c0, c1, c2 = polynomial[0] * scale * scale, polynomial[1] * scale, polynomial[2]
    return np.array([c0 + c1 + c2, 2.0 * (c0 - c2), c0 - c1 + c2])
