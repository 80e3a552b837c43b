"""Rule effects/slap-beyond-the-voice."""

from __future__ import annotations

from collections.abc import Mapping

from mixwright.checks.rule import Remark, Result, rule
from mixwright.dsp.delay import DelaySettings
from mixwright.measuring.evidence import Evidence, ReturnHeard

SLAP_MS = 180.0
# Repeats that come back so far down are one repeat to the ear.
FEEDBACK_DB = -15.0
# So many tracks are named.
NAMED = 4


@rule("effects/slap-beyond-the-voice")
def slap_beyond_the_voice(heard: Evidence, limits: Mapping[str, float]) -> Result:
    """Others than the lead voice are sent to the slap delay.

    Measures which tracks reach a return with a single short repeat: a delay under 180 ms whose
    feedback is -15 dB or less. Tracks without a role, and songs without a lead voice, are left out.
    It only makes a note.

    Why it matters: a slap sets the lead voice apart from the rest because the rest does not have
    it.

    Source: common practice; the numbers are our own choice.

    Fails:
        tracks: {keys: {sends_db: {slap: -10}}}
    """
    roles = {track.name: track.role for track in heard.sheet.tracks}
    slaps = [part for part in heard.returns.values() if _is_slap(heard, part)]
    if "lead_vocal" not in roles.values():
        return Result.nothing("no track has the role lead_vocal")
    if not slaps:
        return Result.nothing("no return is a slap")
    found = [(part, [name for name in _senders(part) if _is_other(roles[name])]) for part in slaps]
    remarks = tuple(_remark(part.part.name, others) for part, others in found if others)
    count = sum(len(others) for _, others in found)
    names = ", ".join(part.part.name for part in slaps)
    return Result(f"{count or 'no'} track{'s' * (count != 1)} beside the voice in {names}", remarks)


def _is_slap(heard: Evidence, returned: ReturnHeard) -> bool:
    """Whether a return that sounds is a single short repeat, with its time by the tempo."""
    name, returns = returned.part.name, heard.plan.returns
    planned = next((part.chain.stage("effect") for part in returns if part.name == name), None)
    effect = returned.part.effect if planned is None else planned.settings
    if not isinstance(effect, DelaySettings) or not returned.wet.hops.any():
        return False
    single = effect.feedback_db is None or effect.feedback_db <= FEEDBACK_DB
    return single and effect.time_ms < SLAP_MS


def _senders(returned: ReturnHeard) -> list[str]:
    return [name for name, sent in returned.sent.items() if sent.hops.any()]


def _is_other(role: str) -> bool:
    return role not in ("lead_vocal", "other")


def _remark(slap: str, others: list[str]) -> Remark:
    named = ", ".join(others[:NAMED])
    if len(others) > NAMED:
        named += f" and {len(others) - NAMED} more"
    return Remark(
        "note",
        f"{slap} also gets {named}, expected the lead voice alone",
        help="give them an echo or a room of their own, unless the slap is meant for all",
        path=("tracks", others[0], "sends_db", slap),
        name=slap,
        measured=float(len(others)),
        limit=0.0,
        unit="tracks",
    )
