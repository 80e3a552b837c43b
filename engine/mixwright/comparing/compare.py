"""Two versions of a mix compared: the sheets by meaning, then the sound."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from mixwright.comparing.changes import Change, changes_between
from mixwright.comparing.renames import renamed
from mixwright.comparing.versions import SheetVersion

if TYPE_CHECKING:
    from mixwright.comparing.sound import SoundCompared
    from mixwright.rendering.plan import PlanOf
    from mixwright.rendering.session import Session


@dataclass(frozen=True)
class Compared:
    """What changed from `old` to `new`, both as they were given.

    `changes` are those of the sheet, in the order of the steps; `sound` is None where only the
    sheets were compared.
    """

    title: str
    old: str
    new: str
    changes: tuple[Change, ...]
    sound: SoundCompared | None = None

    @property
    def has_changes(self) -> bool:
        """Whether there is any difference, in the sheet, in the files it names or in the sound."""
        is_same_sound = self.sound is None or (self.sound.is_same and not self.sound.files)
        return bool(self.changes) or not is_same_sound


def compare_sheets(old: SheetVersion, new: SheetVersion) -> Compared:
    """Compare what the sheets say; no sound file is needed."""
    changes = changes_between(old.sheet, new.sheet)
    return Compared(new.sheet.song.title, old.name, new.name, changes)


def compare_versions(
    old: SheetVersion, new: SheetVersion, plan_of: PlanOf, session: Session
) -> Compared:
    """Compare what the sheets say and how they sound; `plan_of` plans a whole song.

    Raises ProblemError as a render does.
    """
    from mixwright.comparing.sound import compare_sound

    before = plan_of(old.sheet)  # by its own names, which problems are told by
    known = renamed(old.sheet, new.sheet)
    if known.parts or known.sections:
        before = plan_of(known.sheet)
    sheets, plans = (known.sheet, new.sheet), (before, plan_of(new.sheet))
    told = compare_sheets(old, new)
    sound = compare_sound(sheets, plans, session)
    return Compared(told.title, told.old, told.new, told.changes, sound)
