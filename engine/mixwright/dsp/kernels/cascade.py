"""A cascade of second-order sections over one or two channels, in place, and its energy.

Sums that do not need the newest output come first: it shortens the chain from sample to sample.
"""

from __future__ import annotations

from mixwright.dsp.kernels.options import OPTIONS, njit


@njit(**OPTIONS)
def run_cascade(sections, state, block):  # type: ignore[no-untyped-def]
    """Filter `block` (frames, channels) in place; `state` is (sections, 2, channels)."""
    for n in range(block.shape[0]):
        for c in range(block.shape[1]):
            value = block[n, c]
            for s in range(sections.shape[0]):
                out = sections[s, 0] * value + state[s, 0, c]
                state[s, 0, c] = sections[s, 1] * value + state[s, 1, c] - sections[s, 3] * out
                state[s, 1, c] = sections[s, 2] * value - sections[s, 4] * out
                value = out
            block[n, c] = value


@njit(**OPTIONS)
def weighted_energy(sections, state, block, energy, phase, hop):  # type: ignore[no-untyped-def]
    """Add the energy of `block` after a two-section weighting to consecutive hops.

    `energy[0]` is the hop under way, of which `phase` samples have been seen; every `hop`
    samples the next one begins. Returns the index of the hop under way at the end, its phase, and
    the energy of the whole block.
    """
    p0, p1, p2, p3, p4 = sections[0]
    q0, q1, q2, q3, q4 = sections[1]
    other = block.shape[1] - 1
    s0, s1, t0, t1 = state[0, 0, 0], state[0, 1, 0], state[1, 0, 0], state[1, 1, 0]
    e0, e1, f0, f1 = state[0, 0, other], state[0, 1, other], state[1, 0, other], state[1, 1, other]
    index, seen, total, total_other, whole = 0, phase, 0.0, 0.0, 0.0
    for n in range(block.shape[0]):
        x = block[n, 0]
        z = block[n, other]  # mono does its one channel twice: branches would cost more
        u = p0 * x + s0
        w = p0 * z + e0
        s0 = p1 * x + s1 - p3 * u
        e0 = p1 * z + e1 - p3 * w
        s1 = p2 * x - p4 * u
        e1 = p2 * z - p4 * w
        x = q0 * u + t0
        z = q0 * w + f0
        t0 = q1 * u + t1 - q3 * x
        f0 = q1 * w + f1 - q3 * z
        t1 = q2 * u - q4 * x
        f1 = q2 * w - q4 * z
        total += x * x
        total_other += z * z
        seen += 1
        if seen == hop:
            energy[index, 0] += total
            energy[index, other] += other * total_other
            whole += total + total_other
            total, total_other, seen = 0.0, 0.0, 0
            index += 1
    energy[index, 0] += total
    energy[index, other] += other * total_other
    whole += total + total_other
    state[0, 0, 0], state[0, 1, 0], state[1, 0, 0], state[1, 1, 0] = s0, s1, t0, t1
    state[0, 0, other], state[0, 1, other] = e0, e1
    state[1, 0, other], state[1, 1, other] = f0, f1
    return index, seen, whole


@njit(**OPTIONS)
def hop_energy(block, energy, phase, hop):  # type: ignore[no-untyped-def]
    """As :func:`weighted_energy`, for a block that has been weighted already."""
    other = block.shape[1] - 1
    index, seen, total, total_other = 0, phase, 0.0, 0.0
    for n in range(block.shape[0]):
        total += block[n, 0] * block[n, 0]
        total_other += block[n, other] * block[n, other]
        seen += 1
        if seen == hop:
            energy[index, 0] += total
            energy[index, other] += other * total_other
            total, total_other, seen = 0.0, 0.0, 0
            index += 1
    energy[index, 0] += total
    energy[index, other] += other * total_other
    return index, seen
