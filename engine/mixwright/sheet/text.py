"""The sheet as text: read once, kept whole, so that every message can show its line."""

from __future__ import annotations

import errno
import hashlib
import re
from bisect import bisect_right
from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path

from mixwright.problem import Fault, Problem, ProblemError, Span, odd_kind

# A sheet of the longest songs has some 100 kB; whatever is read is held in memory several times.
MAX_BYTES = 4 * 1024 * 1024
BYTE_ORDER_MARK = "\ufeff"
LINE_ENDS = "\n\r\x85\u2028\u2029"
# What YAML 1.1 allows in a stream; anything else is a control character or half a pair.
_NOT_ALLOWED = re.compile(
    "[^\t\n\r\x20-\x7e\x85\xa0-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]|(?<!^)\ufeff"
)


@dataclass(frozen=True)
class SheetText:
    """A sheet's text; `path` is as the user gave it, `lines` are without their line ends.

    `sha256` is that of the bytes it was read from.
    """

    path: str
    text: str = field(repr=False)
    lines: tuple[str, ...] = field(repr=False)
    sha256: str = ""

    def span(self, line: int, column: int, length: int = 1) -> Span:
        """Return a span (counted from 1) that ends at the end of its line at the latest."""
        room = self._widths[line - 1] - column + 1 if line <= len(self.lines) else 1
        return Span(self.path, line, column, max(1, min(length, room)))

    @cached_property
    def _widths(self) -> list[int]:
        """The length of each line without blanks at its end: a sheet may be one long line."""
        return [len(line.rstrip()) for line in self.lines]

    @cached_property
    def starts(self) -> list[int]:
        r"""Where each line begins in the text, and where the last one ends.

        >>> lined("a\r\nb").starts, lined("a\n").starts
        ([0, 3, 4], [0, 2])
        """
        starts = [0, *(match.end() for match in re.finditer(f"\r\n|[{LINE_ENDS}]", self.text))]
        return starts if starts[-1] == len(self.text) else [*starts, len(self.text)]

    def line_at(self, index: int) -> int:
        """Return the line (from 0) of the character at `index`."""
        is_beyond = index == len(self.text) and self.text[-1:] not in ("", *LINE_ENDS)
        return bisect_right(self.starts, index) - (2 if is_beyond else 1)

    def column_at(self, index: int) -> int:
        """Return the column (from 0) of the character at `index`."""
        return index - self.starts[self.line_at(index)]

    def span_at(self, index: int, length: int = 1) -> Span:
        """Return the span of the characters from `index` (from 0) on that are on its line."""
        line = self.line_at(index)
        return self.span(line + 1, index - self.starts[line] + 1, length)


def lined(text: str, path: str = "mix.yaml") -> SheetText:
    """Return text as that of a sheet which messages call `path`.

    >>> lined("format: 1").lines
    ('format: 1',)
    """
    return SheetText(path, text, tuple(text.splitlines()))


def load_text(path: str | Path) -> SheetText:
    """Read a sheet's text.

    Raises ProblemError for a file that is missing, no plain file (a folder, a pipe), unreadable,
    and for what :func:`sheet_text` refuses.

    >>> load_text("mix.yaml").lines[0]  # doctest: +SKIP
    'format: 1'
    """
    shown = str(path)
    return sheet_text(_read(Path(path), shown), shown)


def sheet_text(data: bytes, shown: str) -> SheetText:
    """Return the text that the bytes of a sheet are; `shown` is what messages call it.

    Raises ProblemError for more than 4 MiB, nothing, what is not UTF-8, and control characters.

    >>> sheet_text(b"format: 1", "mix.yaml").lines
    ('format: 1',)
    """
    if len(data) > MAX_BYTES:
        message = f"{shown} is larger than {MAX_BYTES // 2**20} MiB, too large for a mix sheet"
        raise _fault("sheet/too-large", message, Span(shown, 1, 1))
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise _not_utf8(shown, data, error.start) from error
    if not text.strip():
        raise _fault("sheet/empty", f"{shown} is empty, expected a mix sheet", Span(shown, 1, 1))
    digest = hashlib.sha256(data).hexdigest()
    sheet = replace(lined(text, shown), sha256=digest)
    if odd := _NOT_ALLOWED.search(text):
        message = f"the character U+{ord(odd.group()):04X} is not allowed in a sheet"
        raise _fault("sheet/bad-character", message, sheet.span_at(odd.start()))
    return sheet


def _read(path: Path, shown: str) -> bytes:
    try:
        mode = path.stat().st_mode
        if (kind := odd_kind(mode)) is not None:
            raise _odd(path, shown, kind)
        with path.open("rb") as file:
            return file.read(MAX_BYTES + 1)
    except FileNotFoundError as error:
        raise _fault("sheet/no-such-file", f"there is no file {shown}") from error
    except (OSError, ValueError) as error:
        reason = (getattr(error, "strerror", None) or str(error)).lower()
        message = f"{shown} can't be read: {reason}"
        is_name = getattr(error, "errno", None) == errno.ENAMETOOLONG
        fault = Fault.INPUT if is_name else Fault.MACHINE
        raise ProblemError([Problem("sheet/unreadable", message, fault=fault)]) from error


def _odd(path: Path, shown: str, kind: str) -> ProblemError:
    """What is no plain file: the files that a sheet names lie beside it, so it has to lie too."""
    message = f"{shown} is {kind}, expected a mix sheet"
    if kind == "a folder":
        return _fault("sheet/is-a-folder", message, help=_sheet_inside(path))
    help = "write it to a file first: what it names is looked for beside it"
    return _fault("sheet/not-a-file", message, help=help)


def _sheet_inside(folder: Path) -> str | None:
    found = sorted(folder.glob("*.yaml"))
    return f"there is a sheet inside it: {found[0]}" if found else None


def _not_utf8(shown: str, data: bytes, start: int) -> ProblemError:
    good = data[:start].decode("utf-8-sig")
    message = f"the byte 0x{data[start]:02X} is not UTF-8"
    # Other control characters that part lines may stand before it: they are not refused yet.
    lines = [*good.splitlines(), ""] if good.endswith(("\n", "\r")) else good.splitlines() or [""]
    span = Span(shown, len(lines), len(lines[-1]) + 1)
    return _fault("sheet/not-utf-8", message, span, "save the sheet as UTF-8")


def _fault(
    rule: str, message: str, span: Span | None = None, help: str | None = None
) -> ProblemError:
    return ProblemError([Problem(rule, message, span, help)])
