"""Rule delivery/silence-long."""

from __future__ import annotations

import math
from collections.abc import Mapping

from mixwright.checks.rule import Remark, Result, rule
from mixwright.measuring.evidence import Evidence
from mixwright.meters.silence import THRESHOLD_DBFS


@rule("delivery/silence-long", "head_silence_s", "tail_silence_s")
def silence_long(heard: Evidence, limits: Mapping[str, float]) -> Result:
    """The finished mix begins or ends with a long silence.

    Measures how long no sample is over -60 dBFS at the head and at the tail.

    Why it matters: a listener waits for the first sound, and the next song waits for the end of
    this one.

    Source: common practice.

    Fails:
        song: {end: {s: 30}}
    """
    silence = heard.silence
    if silence.head_s >= silence.seconds:
        message = f"nothing in the finished mix is over {THRESHOLD_DBFS:g} dBFS, expected sound"
        return Result("silence", (Remark("fails", message, path=("song",), name="mix_bus"),))
    head, tail = limits["head_silence_s"], limits["tail_silence_s"]
    remarks = []
    if silence.head_s > head:
        hint = "begin the files later, all of them alike, or give every track the same offset_ms"
        remarks.append(_remark(heard, "begins", silence.head_s, head, 0.0, hint))
    if silence.tail_s > tail:
        sounds_s = silence.seconds - silence.tail_s
        hint = f"let the song end sooner: the last sound is over at {sounds_s:.1f} s"
        remarks.append(_remark(heard, "ends", silence.tail_s, tail, sounds_s, hint))
    measured = f"silence {silence.head_s:.2f} s before, {silence.tail_s:.2f} s after"
    return Result(measured, tuple(remarks))


def _remark(
    heard: Evidence, what: str, silence_s: float, most: float, at_s: float, hint: str
) -> Remark:
    return Remark(
        "look",
        f"the finished mix {what} with {math.floor(silence_s * 100) / 100:.2f} s of silence, "
        f"expected {most:g} s at most",
        help=hint,
        path=("song", "end") if what == "ends" else ("song",),
        name="mix_bus",
        section=heard.section_at(at_s),
        at_s=at_s,
        measured=silence_s,
        limit=most,
        unit="s",
    )
