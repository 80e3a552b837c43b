"""What a sound depends on, as one hash: for tracks, chains, sums, groups, returns, buses and mixes.

Two sounds of one identity are the same to the last bit. It is the SHA-256 of a text of everything
that comes before a point in the path of a sample, and of nothing else: recordings by what they
hold, settings by class, field and value, whatever else comes in by its own identity. So it is the
same for a copy of a song elsewhere, on another machine and in another run. Names change no sound,
nor do sections, and neither is in it; a plug-in goes by its name and parameters.

The order of tracks in a sum counts, since floating-point sums are rounded by their order; so does
that of groups and returns at the bus. What goes into different sums has no order. A measured level
counts by what it is measured of, not by its value: of the mix itself, or of the mix it follows.

What a plug-in does may change behind our back: where one comes in, the identity says so
(`FOREIGN`), and no cache keeps anything by it.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, fields, is_dataclass, replace
from enum import Enum
from functools import cached_property
from typing import Any

import numpy as np

from mixwright.audio import StemInfo
from mixwright.audio.fingerprint import Memory, content_of
from mixwright.audio.opened import changed
from mixwright.dsp.curve import Curve
from mixwright.dsp.inserts import PluginSettings
from mixwright.problem import Fault, Problem, ProblemError
from mixwright.rendering.cache import FOREIGN, DataCache
from mixwright.rendering.parts import BusPlan, ChainPlan, TrackPlan
from mixwright.rendering.plan import Plan
from mixwright.rendering.session import Session
from mixwright.rendering.stages import Stage

# What each recording holds, as a hash.
Contents = Mapping[StemInfo, str]


class Identity(str):
    """A hash in hex, after the mark of what is foreign where there is such a thing in it."""


def contents_of(recordings: Iterable[StemInfo], session: Session) -> dict[StemInfo, str]:
    """Return the hash of what each recording holds; what lies as it did before is recalled.

    Raises ProblemError (fault MACHINE) for one that was changed since it was probed, or can't be
    read.
    """
    once, memory = list(dict.fromkeys(recordings)), DataCache(session.cache_folder, "hashes")
    with ThreadPoolExecutor(session.cores) as pool:
        return dict(zip(once, pool.map(lambda info: _content_of(info, memory), once), strict=True))


def _content_of(info: StemInfo, memory: Memory) -> str:
    try:
        found = content_of(info.path, info.stamp, memory)
    except OSError as error:
        message = f"{info.path.name} can't be read: {error.strerror}"
        raise ProblemError([Problem("audio/machine", message, fault=Fault.MACHINE)]) from error
    if found is None:
        raise changed(info.path.name)
    return found


def identity(contents: Contents, *values: Any) -> Identity:
    """Return one hash of plain values, sequences, mappings, and dataclasses of them.

    Raises KeyError for a recording whose content is not given, TypeError for what has no lasting
    text.

    >>> identity({}, 1, "a") == identity({}, 1.0, "a") != identity({}, "a", 1)
    True
    """
    text = "\n".join(_lasting(value, contents) for value in values)
    mark = FOREIGN if FOREIGN in text else ""
    return Identity(mark + hashlib.sha256(text.encode()).hexdigest())


def _lasting(value: Any, contents: Contents) -> str:
    """A text of a value that is the same in another place, at another time and in another run."""
    if isinstance(value, StemInfo):
        return contents[value]
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, Identity):
        return value
    if value is None or isinstance(value, bool | bytes | str):
        return ascii(value)  # so that no word can hold the mark
    if isinstance(value, int | float):
        return repr(float(value)) if float(value) == value else repr(value)
    if isinstance(value, Enum):
        return f"{type(value).__name__}.{value.name}"
    if is_dataclass(value) and not isinstance(value, type):
        mark, hidden = (FOREIGN, "path") if isinstance(value, PluginSettings) else ("", "")
        names = (one.name for one in fields(value) if one.name != hidden)
        inner = (f"{name}={_lasting(getattr(value, name), contents)}" for name in names)
        return f"{mark}{type(value).__name__}({', '.join(inner)})"
    if isinstance(value, Mapping):
        pairs = ((_lasting(key, contents), _lasting(item, contents)) for key, item in value.items())
        return "{" + ", ".join(f"{key}: {item}" for key, item in sorted(pairs)) + "}"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(_lasting(item, contents) for item in value) + "]"
    if isinstance(value, set | frozenset):
        return "{" + ", ".join(sorted(_lasting(item, contents) for item in value)) + "}"
    raise TypeError(f"{type(value).__name__} has no text that lasts")


@dataclass(frozen=True)
class Sounds:
    """The identities of all sounds of a mix, each worked out when it is asked for.

    `contents` are those of its recordings. `lead` is the mix whose dynamics it goes by, `before`
    the parts before it in a set of parts that add up; see :mod:`mixwright.rendering.following`.
    """

    plan: Plan
    contents: Contents = field(repr=False, compare=False)
    lead: Sounds | None = None
    before: tuple[Sounds, ...] = ()

    def _identity(self, *values: Any) -> Identity:
        """What the sound is made at comes into all of them."""
        return identity(self.contents, self.plan.rate_hz, self.plan.start, *values)

    def of_chain(self, track: TrackPlan, part: str) -> Identity:
        """Return the identity of a track as far as a part of its chain, that one included.

        What its chain listens to is looked up among the tracks of the plan.
        """
        chain = track.chain.as_far_as(part)
        own = self._identity(
            "track", track.stem, track.offset, track.input_gain, track.cut_at, self._chain(chain)
        )
        lead = self.lead
        theirs = [t for t in lead.plan.tracks if t.name == track.name] if lead is not None else []
        if lead is None or not theirs or not _is_matched(chain):
            return own
        return self._led(own, lead.of_chain(theirs[0], part))

    def _chain(self, chain: ChainPlan) -> tuple[object, ...]:
        """All that a chain depends on but its input: what it hears, and how far it is matched."""
        matched = [stage.kind for stage in chain.stages if stage.is_matched]
        return (
            [_bare(stage) for stage in chain.stages],
            {one.kind: self.fronts[one.key] for one in chain.stages if one.key is not None},
            matched,
            self.plan.end if matched else None,
        )

    def _led(self, own: Identity, theirs: Identity | None) -> Identity:
        """The identity of a sound that goes by another, which may be the same."""
        return own if theirs in (None, own) else self._identity("led", own, theirs)

    @cached_property
    def fronts(self) -> dict[str, Identity]:
        """Each track as others hear it: as far as its EQ."""
        return {track.name: self.of_chain(track, "eq") for track in self.plan.tracks}

    @cached_property
    def tracks(self) -> dict[str, Identity]:
        """Each track as it is placed, on its way to its group and sends."""
        return {
            t.name: self._identity(
                self.of_chain(t, "inserts"), t.fader, t.mute, t.cover, t.pan, t.width_percent
            )
            for t in self.plan.tracks
        }

    def of_sum(self, group: str | None) -> Identity:
        """Return the identity of the sum that goes to a group, for None straight to the bus."""
        own = [self.tracks[track.name] for track in self.plan.tracks if track.group == group]
        return self._identity("sum", own)

    def of_sends(self, name: str) -> Identity:
        """Return the identity of the sum that goes to a return; groups' faders take sends along."""
        faders = {group.name: (group.fader, group.mute) for group in self.plan.groups}
        sends: list[tuple[Identity, Curve, object]] = [
            (self.tracks[track.name], level, faders.get(track.group or ""))
            for track in self.plan.tracks
            for target, level in track.sends
            if target == name
        ]
        return self._identity("sends", sends)

    @cached_property
    def groups(self) -> dict[str, Identity]:
        """Each group as it goes to the bus."""
        return {part.name: self._group(part) for part in self.plan.groups}

    def _group(self, part: BusPlan) -> Identity:
        return self._in_company("groups", part, self.of_bus(part, self.of_sum(part.name)))

    def _return(self, part: BusPlan) -> Identity:
        return self._in_company("returns", part, self.of_bus(part, self.of_sends(part.name)))

    def _in_company(self, kind: str, part: BusPlan, own: Identity) -> Identity:
        """The identity of a group or return that may go by the lead, and add to parts before it."""
        theirs = None if self.lead is None else getattr(self.lead, kind).get(part.name)
        if theirs == own:
            return own
        if part.chain.listens or _is_matched(part.chain):
            own = self._led(own, theirs)
        earlier = [getattr(sounds, kind).get(part.name) for sounds in self.before]
        last = next((one for one in reversed(earlier) if one is not None), None)
        is_added = part.chain.is_added and last is not None
        return self._identity("added", own, last) if is_added else own

    def of_bus(self, part: BusPlan, heard: object) -> Identity:
        """Return the identity of what a group or the mix bus makes of what it is given."""
        plain = replace(part, name="", chain=ChainPlan())
        return self._identity("bus", heard, self._chain(part.chain), plain)

    @cached_property
    def returns(self) -> dict[str, Identity]:
        """Each return as it goes to the bus."""
        return {part.name: self._return(part) for part in self.plan.returns}

    @cached_property
    def bus(self) -> Identity:
        """The mix bus: what comes out of it, before a limiter."""
        heard = self.of_sum(None), [*self.groups.values()], [*self.returns.values()]
        own = self.of_bus(self.plan.mix_bus, heard)
        return own if self.lead is None else self._led(own, self.lead.bus)

    @cached_property
    def mix(self) -> Identity:
        """The finished mix, from its first sample to its last."""
        plan = self.plan
        kept = (plan.keep_from, plan.keep_to, plan.end, plan.tail, plan.lead_in, plan.lead_out)
        own = self._identity("mix", self.bus, plan.limiter, kept)
        return own if self.lead is None else self._led(own, self.lead.mix)


def _is_matched(chain: ChainPlan) -> bool:
    return any(stage.is_matched for stage in chain.stages)


def _bare(stage: Stage) -> Stage:
    """A stage without what is told of it otherwise: what it listens to, whether it is matched."""
    bare: dict[str, Any] = {"key": None, "level_match": False}
    own = {one.name for one in fields(stage)}  # type: ignore[arg-type]
    return replace(stage, **{key: value for key, value in bare.items() if key in own})  # type: ignore[type-var]
