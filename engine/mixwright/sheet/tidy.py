r"""A tidy sheet: one order, spacing and form of numbers, so that a diff shows decisions only.

Keys
    Stand in the order of the schema: what a thing is, its settings, the reason for them (``why``),
    then what has settings and reasons of its own, automation last. So a reason never ends up behind
    a long list. Names that are free - tracks, sends, variants - keep the order they have: it is a
    decision.
Lines
    A decision has one line: an EQ band, a compressor, sends, an automation point. It is written in
    braces where that fits 100 columns and holds no comment; what is longer stays on one line or on
    several, whichever it is. Lists of decisions, parts of the sheet, and tracks, groups, returns
    and variants have lines of their own. Text of several lines after ``|`` or ``>`` is kept.
Spacing
    One empty line between the parts of the sheet and between tracks; elsewhere one where there are
    more, none at the start of a block. Two columns a level, and two before a comment.
Numbers
    The shortest form: -4.5 for -4.50, 3 for +3, 1000 for 1e3; 1.0 keeps its point.
Quotes
    Double ones, where the text would be read as something else without, here or by other readers.
Comments
    Stay with what they are about, see :mod:`mixwright.sheet.comments`. Those above the first key
    stay at the head of the file unless an empty line parts them from it.
Left alone
    A byte order mark, and the kind of line ends.

>>> print(tidied('''
... # of the demo
... format: 1
... tracks:
...   kick: {gain_db: -4.50, file: 'kick.wav'} # inside
...   bass:
...       eq: [{freq_hz: +80, type: bell, gain_db: .5, why: "weight, not boom"}]
...       why: starts late
...       # from bar 3
...       file: bass.wav
... song: {title: T, sample_rate_hz: 48e3}
... '''), end="")
# of the demo
format: 1
<BLANKLINE>
song:
  title: T
  sample_rate_hz: 48000
<BLANKLINE>
tracks:
  kick:  # inside
    file: kick.wav
    gain_db: -4.5
<BLANKLINE>
  bass:
    # from bar 3
    file: bass.wav
    why: starts late
    eq:
      - {type: bell, freq_hz: 80, gain_db: 0.5, why: "weight, not boom"}
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from difflib import unified_diff
from pathlib import Path

from mixwright.escaping import visible
from mixwright.problem import Problem, ProblemError
from mixwright.sheet.comments import comments_of, lay_comments
from mixwright.sheet.loading import read_sheet
from mixwright.sheet.model import Sheet
from mixwright.sheet.rewrite import clear_beside, rewrite
from mixwright.sheet.text import BYTE_ORDER_MARK, lined, load_text
from mixwright.sheet.tidy_print import print_sheet
from mixwright.sheet.tree import Entry, are_same

CHANGED = "tidy/would-change"


@dataclass(frozen=True)
class Tidied:
    """A sheet's text before and after; `path` is as the user gave it."""

    path: str
    before: str
    after: str

    @property
    def is_changed(self) -> bool:
        """Whether the sheet was not tidy before."""
        return self.before != self.after

    def diff(self) -> str:
        """Return the change as a unified diff, empty if there is none.

        >>> print(Tidied("mix.yaml", "a: +1\\n", "a: 1\\n").diff(), end="")
        --- mix.yaml
        +++ mix.yaml (tidy)
        @@ -1 +1 @@
        -a: +1
        +a: 1
        """
        old, new = (re.findall(".*\n|.+", text) for text in (self.before, self.after))
        path = visible(self.path)
        lines = unified_diff(old, new, path, f"{path} (tidy)")
        return "".join(
            line if line.endswith("\n") else f"{line}\n\\ No newline at end of file\n"
            for line in lines
        )


def tidy_sheet(path: str | Path, check: bool = False) -> Tidied:
    """Tidy the sheet at `path`; with `check`, only see what that would change.

    The file is replaced whole or not at all; its permissions are kept, links are followed.
    Raises ProblemError for a sheet with faults (those of its sound files aside), and when the disk
    refuses.

    >>> tidy_sheet("mix.yaml", check=True).is_changed  # doctest: +SKIP
    False
    """
    text = load_text(path).text
    with Path(path).open("rb") as file:
        mark = BYTE_ORDER_MARK if file.read(3) == BYTE_ORDER_MARK.encode() else ""
    result = Tidied(str(path), mark + text, tidied(mark + text, str(path)))
    if not check:
        clear_beside(Path(path))
        if result.is_changed:
            rewrite(Path(path), result.after.encode())
    return result


def tidied(text: str, path: str = "mix.yaml") -> str:
    """Return the text of a sheet as a tidy one that means the same; `path` is for messages.

    Raises ProblemError for a sheet whose text has faults (the files around it need not be there),
    and if it would not be the same afterwards: that is a bug of ours, and has the rule
    ``tidy/would-change``.
    """
    mark = BYTE_ORDER_MARK if text.startswith(BYTE_ORDER_MARK) else ""
    text = text.removeprefix(BYTE_ORDER_MARK)
    before = _read(text, path)
    lines = print_sheet(lay_comments(before[0]))
    line_end = "\r\n" if re.match("[^\n\r]*\r\n", text) else "\n"
    after = line_end.join([*lines, ""])
    if not _is_kept(before, after, path):
        message = "tidying would change the sheet, nothing was written; this is a bug in mixwright"
        raise ProblemError([Problem(CHANGED, message, before[0].span)])
    return mark + after


def _read(text: str, path: str) -> tuple[Entry, Sheet]:
    """The sheet as a tree and as its model; it is tidied in places where its sound is not."""
    return read_sheet(lined(text, path), Path(path), needs_files=False)


def _is_kept(before: tuple[Entry, Sheet], after: str, path: str) -> bool:
    """Whether the tidy text says what the sheet said, in values and in comments."""
    try:
        tree, sheet = _read(after, path)
    except ProblemError:
        return False
    is_same = are_same(tree.value, before[0].value) and sheet == before[1]
    return is_same and comments_of(tree) == comments_of(before[0])
