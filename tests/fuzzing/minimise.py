"""What was found is made small: simpler cases are tried as long as one fails in the same way."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from typing import Any

from fuzzing.campaign import Campaign, Outcome


def minimised(
    campaign: Campaign, case: Any, fault: str, attempt: Callable[[Any], Outcome], tries: int = 300
) -> Any:
    """Return the simplest case found that fails as `case` does, within a number of tries."""
    kind, left, going_on = kind_of(fault), tries, True
    while going_on:
        going_on = False
        for simpler in campaign.smaller(case):
            if left == 0:
                return case
            left -= 1
            found = attempt(simpler).fault
            if found is not None and kind_of(found) == kind:
                case, going_on = simpler, True
                break
    return case


def kind_of(fault: str) -> str:
    """Return what kind of fault it is: its last line, without numbers and names.

    >>> kind_of("boom\\nValueError: 3 is not in '/tmp/a'") == kind_of("ValueError: 4 is not in 'b'")
    True
    """
    last = fault.strip().splitlines()[-1]
    return re.sub(r"'[^']*'|\"[^\"]*\"|/\S+|\d+", "_", last)


def fewer(items: list[Any]) -> Iterator[list[Any]]:
    """Yield lists with parts left out: halves first, then single items.

    >>> list(fewer([1, 2, 3]))
    [[2, 3], [1], [2, 3], [1, 3], [1, 2]]
    """
    half = len(items) // 2
    if half:
        yield items[half:]
        yield items[:half]
    for at in range(len(items)):
        yield items[:at] + items[at + 1 :]


def shorter(data: bytes) -> Iterator[bytes]:
    """Yield bytes with stretches left out, the longest stretches first.

    >>> list(shorter(b"abcd"))[:2]
    [b'cd', b'ab']
    """
    size = (len(data) + 1) // 2
    while size:
        for at in range(0, len(data), size):
            yield data[:at] + data[at + size :]
        size = (size + 1) // 2 if size > 1 else 0
