"""A stereo delay line with fractional read heads and filtered feedback."""

from __future__ import annotations

from numba import njit

from mixwright.dsp.kernels.options import OPTIONS


@njit(**OPTIONS)
def read_fractional(line, channel, at):  # type: ignore[no-untyped-def]
    """Third-order Lagrange interpolation of the ring at a fractional index; exact at integers."""
    size = line.shape[0]
    if at < 0.0:
        at += size
    base = int(at)
    f = at - base
    i1 = base if base < size else base - size
    i0 = i1 - 1 if i1 > 0 else size - 1
    i2 = i1 + 1 if i1 + 1 < size else 0
    if f == 0.0:
        return line[i1, channel]
    i3 = i2 + 1 if i2 + 1 < size else 0
    a, b = f - 1.0, f - 2.0
    return (
        f * a * (-b * line[i0, channel] + (f + 1.0) * line[i3, channel]) / 6.0
        + (f + 1.0) * b * (a * line[i1, channel] - f * line[i2, channel]) / 2.0
    )


@njit(**OPTIONS)
def run_delay(block, line, head, now, before, fade, fade_step, feedback, sections, state):  # type: ignore[no-untyped-def]
    """Replace `block` by its delayed copy; `now` and `before` are delays in samples by channel.

    `fade` runs from 0 (all `before`) to 1 (all `now`). Returns the head and fade at the end.
    """
    size = line.shape[0]
    for n in range(block.shape[0]):
        for c in range(block.shape[1]):
            value = read_fractional(line, c, head - now[c])
            if fade < 1.0:
                old = read_fractional(line, c, head - before[c])
                value = old + fade * (value - old)
            for s in range(sections.shape[0]):
                out = sections[s, 0] * value + state[s, 0, c]
                state[s, 0, c] = sections[s, 1] * value + state[s, 1, c] - sections[s, 3] * out
                state[s, 1, c] = sections[s, 2] * value - sections[s, 4] * out
                value = out
            if abs(value) < 1e-30:  # keeps a dying echo out of the denormal range
                value = 0.0
            line[head, c] = block[n, c] + feedback * value
            block[n, c] = value
        head = head + 1
        if head == size:
            head = 0
        fade = min(1.0, fade + fade_step)
    return head, fade
