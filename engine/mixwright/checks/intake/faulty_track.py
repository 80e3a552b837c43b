"""Rule intake/faulty-track."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping

from mixwright.checks.rule import VERDICTS, Remark, Result, Verdict, rule
from mixwright.faults.findings import Clipped, Finding, FindingSeverity
from mixwright.measuring.evidence import Evidence

VERDICT_OF: Mapping[FindingSeverity, Verdict] = {"fault": "fails", "look": "look", "note": "note"}


@rule("intake/faulty-track")
def faulty_track(heard: Evidence, limits: Mapping[str, float]) -> Result:
    """A track arrives with a fault.

    Measures every file as it comes: clipping, constant offset, rumble, mains hum, stereo files that
    are mono, one-sided or upside down, tracks that hear the same source late or upside down, the
    same audio twice, time stamps and sample rates that don't agree. What the sheet takes care of
    already, and what is muted all through, is a note.

    Why it matters: a fault costs least before the mix is built on it, and a new export mends what
    no processor does.

    Source: common practice; the method of each detector is in the documentation of the meters.

    Fails:
        tracks: {guitar_left: {file: guitar_left_clipped.wav}}
    """
    muted = _muted(heard)
    remarks = [_remark(heard, finding, muted) for finding in heard.inspected.findings]
    remarks.sort(key=lambda remark: VERDICTS.index(remark.verdict))
    return Result(_measured(len(heard.tracks), remarks), tuple(remarks))


def _measured(tracks: int, remarks: list[Remark]) -> str:
    counts = Counter(remark.verdict for remark in remarks)
    said = [f"{tracks} track{'s' * (tracks != 1)}"]
    said.append(f"{counts['fails'] or 'no'} fault{'s' * (counts['fails'] != 1)}")
    if counts["look"]:
        said.append(f"{counts['look']} worth a look")
    if counts["note"]:
        said.append(f"{counts['note']} note{'s' * (counts['note'] != 1)}")
    return ", ".join(said)


def _muted(heard: Evidence) -> set[str]:
    """The tracks that nothing is heard of, from the first bar to the last."""
    groups = {g.name for g in heard.sheet.groups if g.mute and not g.automation.mute}
    return {
        track.name
        for track in heard.sheet.tracks
        if (track.mute and not track.automation.mute) or track.group in groups
    }


def _remark(heard: Evidence, finding: Finding, muted: set[str]) -> Remark:
    name = str(finding.track)
    verdict, message = VERDICT_OF[finding.severity], f"{name}: {finding.message}"
    unheard = name if name in muted else str(getattr(finding, "partner", ""))
    if verdict != "note" and unheard in muted:
        who = "it" if unheard == name else unheard
        verdict, message = "note", f"{message}; {who} is muted"
    at_s = finding.first_s if isinstance(finding, Clipped) else None
    if at_s is not None and at_s > heard.plan.end / heard.rate_hz:
        verdict, message = "note", f"{message}; that lies beyond the end of the song"
    return Remark(
        verdict,
        message,
        help=None if verdict == "note" else _help(name, finding.fix),
        path=("tracks", name),
        name=name,
        section=None if at_s is None else heard.section_at(at_s),
        at_s=at_s,
    )


def _help(name: str, fix: str | None) -> str | None:
    """Say where the lines of a fix belong: bands in the EQ, everything else under the track."""
    if fix is None:
        return None
    lines = fix.splitlines()
    into = f"the eq of {name}" if lines[0].startswith("{") else f"the track {name}"
    return f"add to {into}: {', '.join(lines)}"
