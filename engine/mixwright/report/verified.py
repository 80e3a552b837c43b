"""What became of a delivery's files: lines for people, data for machines."""

from __future__ import annotations

from collections import Counter
from typing import Any

from mixwright.delivering.verify import Held, Remade, Verified
from mixwright.escaping import plain_data
from mixwright.report.tables import say
from mixwright.words import counted


def print_verified(verified: Verified, show_all: bool = False) -> None:
    """Print what isn't as listed (or every file), what to know besides, and the verdict.

    A line a file rather than a table: names of files are as long as they are.
    """
    from rich.console import Console

    console = Console()
    shown = [held for held in verified.files if show_all or not held.holds]
    lines = [str(verified.path), "", *map(_line, shown)]
    if kept := len(verified.files) - len(shown):
        lines.append(f"  {counted(kept, 'file')} as listed (--all shows them)")
    lines.append("")
    lines += [f"note: {note}" for note in verified.notes]
    for line in (*lines, verdict(verified)):
        say(console, line)


def _line(held: Held) -> str:
    again = f"  ({remade_words(held.remade)})" if held.remade is not None else ""
    return f"  {held.state:<11}  {held.part:<6}  {held.file}{again}"


def remade_words(remade: Remade) -> str:
    """Say how a file that was made again compares.

    >>> remade_words(Remade(False, True, -138.47, -120.0))
    'null at -138.5 dBFS'
    >>> remade_words(Remade(False, False, -40.0, -120.0))
    'null at -40.0 dBFS, expected -120.0 at most'
    """
    if remade.same_bits:
        return remade.words or "same bits"
    if remade.limit_dbfs is None:
        return remade.words or "differs"
    if remade.null_dbfs is None:
        return "same samples"
    words = f"null at {remade.null_dbfs:.1f} dBFS"
    return words if remade.holds else f"{words}, expected {remade.limit_dbfs:.1f} at most"


def verdict(verified: Verified) -> str:
    """Return the last line: whether everything holds, and if not, how much doesn't."""
    files = verified.files
    if verified.holds:
        again = " and came out the same again" if any(held.remade for held in files) else ""
        return f"holds: all {len(files)} files are as listed{again}"
    amiss = Counter(_fault_of(held) for held in files if not held.holds)
    said = ", ".join(f"{count} {fault}" for fault, count in amiss.items())
    if verified.outputs_hold:
        said += "; the delivered files are as listed"
    if amiss["from before"]:
        said += " (help: deliver again, the last delivery was interrupted)"
    return f"does not hold: of {len(files)} files {said}"


def _fault_of(held: Held) -> str:
    return "came out otherwise" if held.state == "same" else held.state


def verified_as_data(verified: Verified) -> dict[str, Any]:
    """Return what was found as plain JSON data; a difference of nothing is null."""
    files = [{**vars(held), "holds": held.holds} for held in verified.files]
    data = {
        "manifest": verified.path,
        "holds": verified.holds,
        "outputs_hold": verified.outputs_hold,
        "files": files,
        "notes": list(verified.notes),
        "strangers": verified.strangers,
    }
    return plain_data(data)  # type: ignore[no-any-return]
