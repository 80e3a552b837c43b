"""A delay line with fractional read heads and filtered feedback, and what ducks its repeats.

The line is one row a side, in order of time: the newest sample is before `head`, and when the row
is full its end is moved to the front. So a head reads runs of neighbouring samples, many frames at
a time, with vector instructions; each frame's sum has the same order whatever the run.
"""

from __future__ import annotations

import math

import numpy as np

from mixwright.dsp.kernels.options import OPTIONS, njit


@njit(**OPTIONS)
def read_run(row, start, taps, out):  # type: ignore[no-untyped-def]
    """Put into `out` the sums of `taps` with what begins at `start`, `start + 1` ... in `row`."""
    count = out.shape[0]
    for n in range(count):
        out[n] = 0.0
    for j in range(0, taps.shape[0], 4):
        t0, t1, t2, t3 = taps[j], taps[j + 1], taps[j + 2], taps[j + 3]
        r = row[start + j : start + j + count + 3]
        for n in range(count):
            out[n] = (((out[n] + t0 * r[n]) + t1 * r[n + 1]) + t2 * r[n + 2]) + t3 * r[n + 3]


@njit(**OPTIONS)
def read_head(row, head, whole, taps, exact, out):  # type: ignore[no-untyped-def]
    """Put into `out` what was written `whole` samples and a fraction before `head` and on."""
    if exact:
        start = head - whole
        for n in range(out.shape[0]):
            out[n] = row[start + n]
    else:
        read_run(row, head - whole - taps.shape[0] // 2, taps, out)


@njit(**OPTIONS)
def make_room(line, head, keep, run):  # type: ignore[no-untyped-def]
    """Move the last `keep` samples to the front if `run` more do not fit; returns the head."""
    if head + run <= line.shape[1]:
        return head
    for c in range(line.shape[0]):
        for n in range(keep):
            line[c, n] = line[c, head - keep + n]
    return keep


@njit(**OPTIONS)
def run_delay(  # type: ignore[no-untyped-def]
    block, line, head, keep, run, now, before, fade, fade_step, feedback, crossed, sections, state
):
    """Replace `block` by its delayed copy; returns the head and the fade at the end.

    `now` and `before` are heads: whole samples, taps and whether they are exact, by side. `fade`
    runs from 0 (all `before`) to 1 (all `now`). No run is longer than `run`, so that a repeat is
    written before it is read. `crossed`: the sum goes into the left side, and each side feeds the
    other one.
    """
    whole, taps, exact = now
    old_whole, old_taps, old_exact = before
    sides = block.shape[1]
    wet = np.empty((sides, run))
    old = np.empty(run)
    done = 0
    while done < block.shape[0]:
        count = min(run, block.shape[0] - done)
        head = make_room(line, head, keep, run)
        for c in range(sides):
            out = wet[c, :count]
            read_head(line[c], head, whole[c], taps[c], exact[c], out)
            if fade < 1.0:
                read_head(line[c], head, old_whole[c], old_taps[c], old_exact[c], old[:count])
                level = fade
                for n in range(count):
                    if level == 1.0:
                        break
                    out[n] = old[n] + level * (out[n] - old[n])
                    level = min(1.0, level + fade_step)
        for n in range(count):
            for c in range(sides):
                value = wet[c, n]
                for s in range(sections.shape[0]):
                    filtered = sections[s, 0] * value + state[s, 0, c]
                    state[s, 0, c] = (
                        sections[s, 1] * value + state[s, 1, c] - sections[s, 3] * filtered
                    )
                    state[s, 1, c] = sections[s, 2] * value - sections[s, 4] * filtered
                    value = filtered
                if abs(value) < 1e-30:  # keeps a dying echo out of the denormal range
                    value = 0.0
                wet[c, n] = value
            if crossed:
                both = (block[done + n, 0] + block[done + n, 1]) * math.sqrt(0.5)
                line[0, head + n] = both + feedback * wet[1, n]
                line[1, head + n] = feedback * wet[0, n]
            else:
                for c in range(sides):
                    line[c, head + n] = block[done + n, c] + feedback * wet[c, n]
            for c in range(sides):
                block[done + n, c] = wet[c, n]
            fade = min(1.0, fade + fade_step)
        head += count
        done += count
    return head, fade


@njit(**OPTIONS)
def run_pre_delay(  # type: ignore[no-untyped-def]
    block, line, head, keep, run, now, before, fade, fade_step
):
    """Delay `block` (frames, 2) by whole samples, 0 allowed; returns the head and the fade."""
    done = 0
    while done < block.shape[0]:
        count = min(run, block.shape[0] - done)
        head = make_room(line, head, keep, run)
        for c in range(block.shape[1]):
            for n in range(count):
                line[c, head + n] = block[done + n, c]
        for n in range(count):
            for c in range(block.shape[1]):
                value = line[c, head + n - now]
                if fade < 1.0:
                    old = line[c, head + n - before]
                    value = old + fade * (value - old)
                block[done + n, c] = value
            fade = min(1.0, fade + fade_step)
        head += count
        done += count
    return head, fade


@njit(**OPTIONS)
def duck_gains(block, gains, numbers, state):  # type: ignore[no-untyped-def]
    """Put into `gains` (frames, 1) what the repeats are multiplied by while `block` sounds.

    `numbers`: depth in dB, level range in dB (full, none under the recent maximum) and the
    coefficients by sample of level, maximum, attack and release. `state`: level, maximum, dB down.
    """
    depth, full, none, fall, forget, attack, release = numbers
    level, most, down = state
    near, far = 10.0 ** (-full / 20.0), 10.0 ** (-none / 20.0)
    for n in range(block.shape[0]):
        heard = 0.0
        for c in range(block.shape[1]):
            heard = max(heard, abs(block[n, c]))
        level = max(heard, fall * level)
        most = max(level, forget * most)
        if most < 1e-30:
            level, most = 0.0, 0.0
        if level <= far * most:
            wanted = 0.0
        elif level >= near * most:
            wanted = depth
        else:
            wanted = depth * (20.0 * math.log10(level / most) + none) / (none - full)
        hold = attack if wanted > down else release
        down = wanted + hold * (down - wanted)
        if down < 1e-9:
            down = 0.0
        gains[n, 0] = 1.0 if down == 0.0 else math.exp(down * (-math.log(10.0) / 20.0))
    state[0], state[1], state[2] = level, most, down


@njit(**OPTIONS)
def apply_gains(block, gains):  # type: ignore[no-untyped-def]
    """Multiply each frame of `block` by its gain (frames, 1)."""
    for n in range(block.shape[0]):
        for c in range(block.shape[1]):
            block[n, c] *= gains[n, 0]
