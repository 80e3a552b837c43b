"""One change between two sheets, and the place in both of them that it is about."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any, Literal

from mixwright.problem import Span
from mixwright.sheet import STEPS, PathKey, Sheet

Kind = Literal["added", "removed", "renamed", "changed", "moved"]
Reason = Literal["kept", "new", "alone"]
# In this order changes are told: what the song is, the six steps, what is made of it.
ORDER: tuple[str, ...] = ("song", "intake", *STEPS, "delivery")


@dataclass(frozen=True)
class Change:
    """One thing that a sheet says otherwise than another.

    `step` is one of `ORDER`; `name` is the track, group, return or variant (by its new name),
    ``mix_bus``, ``song``, ``references``, ``limits``, ``accept``, ``delivery`` or ``release``.
    `text` is in the trade's words. A span is None where a sheet does not have the thing at all.

    `why` is the reason that the new sheet gives for what changed; `reason` says whether that is the
    old one (``kept``), changed along (``new``), or all that changed (``alone``).
    """

    step: str
    name: str
    text: str
    kind: Kind = "changed"
    old_span: Span | None = None
    new_span: Span | None = None
    why: str | None = None
    reason: Reason = "kept"

    def __str__(self) -> str:
        return f"{self.step}: {self.name}: {self.text}"


@dataclass(frozen=True)
class Sheets:
    """Both sheets, the old one by the new names; `old_names` gives the old name of a renamed part.

    Paths into the old sheet's spans go by the old names.
    """

    old: Sheet
    new: Sheet
    old_names: Mapping[str, str] = field(default_factory=dict)

    def old_name(self, name: str) -> str:
        """Return what a track, group or return was called in the old sheet."""
        return self.old_names.get(name, name)


@dataclass(frozen=True)
class Place:
    """Where one thing stands in both sheets; a path is None where a sheet does not have it.

    `lead` begins every text about it, `whys` are its reasons in both sheets.
    """

    sheets: Sheets
    step: str
    name: str
    old: PathKey | None = ()
    new: PathKey | None = ()
    lead: str = ""
    whys: tuple[str | None, str | None] = (None, None)

    def at(self, key: str | int) -> Place:
        """Return the place of what is under `key` in both."""
        return self.of(key, key)

    def of(self, old_key: str | int | None, new_key: str | int | None) -> Place:
        """Return the place of what has another key in each; None where it is missing."""
        return replace(self, old=_below(self.old, old_key), new=_below(self.new, new_key))

    def leading(self, lead: str) -> Place:
        """Return it with texts that begin with `lead` after what they begin with already."""
        return replace(self, lead=self.lead + lead)

    def because(self, old: Any, new: Any) -> Place:
        """Return it with the reasons of two things; with none where they have none."""
        return replace(self, whys=(getattr(old, "why", None), getattr(new, "why", None)))

    def told(self, text: str, kind: Kind = "changed") -> Change:
        """Return a change at this place."""
        old, new = self.sheets.old, self.sheets.new
        return Change(
            step=self.step,
            name=self.name,
            text=self.lead + text,
            kind=kind,
            old_span=None if self.old is None else old.span_of(*self.old),
            new_span=None if self.new is None else new.span_of(*self.new),
            why=self.whys[1],
            reason="kept" if self.whys[0] == self.whys[1] or self.whys[1] is None else "new",
        )


def _below(path: PathKey | None, key: str | int | None) -> PathKey | None:
    return None if path is None or key is None else (*path, key)
