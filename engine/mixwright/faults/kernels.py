"""Compiled loops of the fault detectors, over blocks (frames, channels) of one or two channels.

Nothing depends on how a signal was cut into blocks: what is under way is kept in the caller's
arrays, and every sum goes on sample by sample.
"""

from __future__ import annotations

import math

from mixwright.dsp.kernels.options import OPTIONS, njit
from mixwright.faults.clipping import (
    AFTER,
    AGREEING,
    ALL_OF_IT,
    AT_EXTREME,
    BEFORE,
    DEEP_DROP,
    DROP,
    DROP_BINS,
    EARLIER,
    ENDED,
    EQUAL,
    EXTREME,
    HELD,
    LOOK,
    LOOKING,
    LOUD,
    RUN,
    START,
    STEP,
)

STRETCH = 256


@njit(**OPTIONS)
def drop_bin(drop, extreme):  # type: ignore[no-untyped-def]
    """Return the octave that a drop from the extreme lies in, 1 from a half of it up."""
    return max(1, min(int(1.0 - math.log2(drop / extreme)), DROP_BINS - 1))


@njit(**OPTIONS)
def end_run(state, value, same, runs):  # type: ignore[no-untyped-def]
    """Note the run at the extreme that ended before the last sample; `value` is the one after it.

    By the smaller of the drops before and after it; one that is all there within two samples on
    both sides goes to bin 0.
    """
    extreme = state[EXTREME]
    least = min(state[DROP], extreme - state[AFTER])
    deep = min(state[DEEP_DROP], extreme - min(value, state[AFTER]))
    if least > same:
        into = runs[0 if deep >= ALL_OF_IT * extreme else drop_bin(least, extreme)]
        if into[0] == 0.0:
            into[2] = state[START]
        into[0] += 1.0
        into[1] = max(into[1], state[ENDED])
    state[ENDED] = 0.0


@njit(**OPTIONS)
def begin_run(state, value, place):  # type: ignore[no-untyped-def]
    """Begin a run at the extreme with a sample at a place."""
    state[RUN], state[START] = 0.0, place
    state[DROP] = value - state[BEFORE]
    state[DEEP_DROP] = value - min(state[BEFORE], state[EARLIER])


@njit(**OPTIONS)
def follow_steps(state, step, same):  # type: ignore[no-untyped-def]
    """Go on towards the common divisor of all steps, as Euclid does, within rounding.

    Coarse samples keep a divisor of theirs; in any other signal it falls until steps are many
    times as large, and those say nothing.
    """
    divisor = state[STEP]
    if step >= 16.0 * divisor:
        return
    times = round(step / divisor) if divisor < math.inf else 0
    left = abs(step - times * divisor) if times > 0 else step
    if left > 8.0 * same:
        state[STEP], state[AGREEING] = left, 0.0
    elif times > 0:
        # The larger of two steps that agree knows the divisor better. A step that only comes again
        # says nothing: it may be the edge of a tone that repeats.
        state[STEP] = step / times
        if times > 1:
            state[AGREEING] += 1.0


@njit(**OPTIONS)
def look_around(state, value, same):  # type: ignore[no-untyped-def]
    """Count what tells quantised, held and square signals from clipped ones."""
    step = abs(value - state[BEFORE])
    loud = value > 0.5 * state[EXTREME]
    if loud:
        state[LOUD] += 1.0
        if step > same:
            follow_steps(state, step, same)
    if loud and step <= same and state[RUN] == 0.0:
        state[EQUAL] += 1.0
    else:
        if state[EQUAL] >= 2.0:
            state[HELD] += 1.0
        state[EQUAL] = 0.0
    state[LOOKING] -= 1.0


@njit(**OPTIONS)
def follow_side(block, c, start, stop, sign, at, same, state, runs):  # type: ignore[no-untyped-def]
    """Follow the extreme of channel `c` on one side (`sign` 1 or -1) and the flat runs at it.

    `at` is the position of the block's first sample, `same` how far apart samples count as equal.
    `runs` (DROP_BINS, 3) holds number, longest and first place of runs of three and more, by the
    smaller of the drops before and after them. A higher extreme forgets what lay at the lower one.
    """
    for n in range(start, stop):
        value = sign * block[n, c]
        if state[ENDED] > 0.0:
            end_run(state, value, same, runs)
        if value > state[EXTREME] + same:
            begin_run(state, value, at + n)
            runs[:] = 0.0
            state[HELD], state[AT_EXTREME], state[LOUD] = 0.0, 0.0, 0.0
            state[STEP], state[AGREEING] = math.inf, 0.0
        if value >= state[EXTREME] - same and value > 0.0:
            if state[RUN] == 0.0:
                begin_run(state, value, at + n)
            state[EXTREME] = max(state[EXTREME], value)
            state[RUN] += 1.0
            state[AT_EXTREME] += 1.0
            state[LOUD] += 1.0
            state[LOOKING], state[EQUAL] = LOOK, 0.0
        else:
            if state[RUN] >= 3.0:
                state[ENDED], state[AFTER] = state[RUN], value
            state[RUN] = 0.0
            if state[LOOKING] > 0.0:
                look_around(state, value, same)
        state[EARLIER], state[BEFORE] = state[BEFORE], value


@njit(**OPTIONS)
def any_reaches(line, reach):  # type: ignore[no-untyped-def]
    """Count samples of a flat array that reach a level: a sum of integers, so it vectorises."""
    hits = 0
    for n in range(line.shape[0]):
        hits += abs(line[n]) >= reach
    return hits


@njit(**OPTIONS)
def pass_over(block, start, stop, states):  # type: ignore[no-untyped-def]
    """Remember no more of a stretch than its last two samples."""
    for c in range(block.shape[1]):
        for side in range(2):
            sign = 1.0 - 2.0 * side
            earlier = states[c, side, BEFORE]
            if stop - start > 1:
                earlier = sign * block[stop - 2, c]
            states[c, side, EARLIER] = earlier
            states[c, side, BEFORE] = sign * block[stop - 1, c]


@njit(**OPTIONS)
def scan_clips(block, at, same, states, runs):  # type: ignore[no-untyped-def]
    """Look for flat tops: `states` (channels, 2, CLIP_COLUMNS), `runs` (channels, 2, bins, 3).

    Stretches that stay below every extreme so far hold nothing to be found and are passed over.
    """
    channels = block.shape[1]
    flat = block.reshape(-1)
    for start in range(0, block.shape[0], STRETCH):
        stop = min(start + STRETCH, block.shape[0])
        busy = False
        reach = math.inf
        for c in range(channels):
            for side in range(2):
                state = states[c, side]
                busy = busy or state[RUN] > 0.0 or state[LOOKING] > 0.0
                reach = min(reach, state[EXTREME] - same)
        if busy or any_reaches(flat[start * channels : stop * channels], reach) > 0:
            for c in range(channels):
                follow_side(block, c, start, stop, 1.0, at, same, states[c, 0], runs[c, 0])
                follow_side(block, c, start, stop, -1.0, at, same, states[c, 1], runs[c, 1])
        else:
            pass_over(block, start, stop, states)


@njit(**OPTIONS)
def follow(block, state, weights, sums, cells, low, rate, per_second):  # type: ignore[no-untyped-def]
    """Keep the energies of a signal, those of its middle by cells, and its low end.

    `sums`: Σ L², Σ R², Σ L R, Σ (L - R)². `cells` (n, 4), index 0 under way, `per_second` of them:
    energies of the middle and of its first difference, sums of left and right. `low` takes the
    middle at one sample a column of `weights` (3, factor): three stretches of a smooth bump, each
    sample lying under one of them for three outputs. `state`: last middle, phase of the cell in
    1/rate cells, place in the bump, three outputs under way. Returns the cell under way and the
    number of samples written to `low`.
    """
    other = block.shape[1] - 1
    factor = weights.shape[1]
    last, phase, place = state[0], int(state[1]), int(state[2])
    first, second, third = state[3], state[4], state[5]
    ll, rr, lr, dd = sums[0], sums[1], sums[2], sums[3]
    index, written = 0, 0
    plain, steep, lefts, rights = cells[0, 0], cells[0, 1], cells[0, 2], cells[0, 3]
    for n in range(block.shape[0]):
        if phase >= rate:
            phase -= rate
            cells[index, 0], cells[index, 1] = plain, steep
            cells[index, 2], cells[index, 3] = lefts, rights
            index += 1
            plain, steep, lefts, rights = 0.0, 0.0, 0.0, 0.0
        left, right = block[n, 0], block[n, other]
        apart, middle = left - right, 0.5 * (left + right)
        change = middle - last
        last = middle
        ll += left * left
        rr += right * right
        lr += left * right
        dd += apart * apart
        plain += middle * middle
        steep += change * change
        lefts += left
        rights += right
        phase += per_second
        first += weights[2, place] * middle
        second += weights[1, place] * middle
        third += weights[0, place] * middle
        place += 1
        if place == factor:
            low[written] = first
            written += 1
            first, second, third, place = second, third, 0.0, 0
    cells[index, 0], cells[index, 1], cells[index, 2], cells[index, 3] = plain, steep, lefts, rights
    state[0], state[1], state[2] = last, phase, place
    state[3], state[4], state[5] = first, second, third
    sums[0], sums[1], sums[2], sums[3] = ll, rr, lr, dd
    return index, written


@njit(**OPTIONS)
def thin_out(line, taps, factor, out):  # type: ignore[no-untyped-def]
    """Write every `factor`-th sample of `line` through a filter to `out`.

    The loop over samples is the inner one: it vectorises without changing the order of sums.
    """
    out[:] = 0.0
    for k in range(taps.shape[0]):
        tap = taps[k]
        for m in range(out.shape[0]):
            out[m] += tap * line[m * factor + k]
