"""Did you mean: the name that was probably meant."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

# So many names are held against others to find what was meant: a sheet that needs more has
# another fault than a slip, and thousands against thousands would take minutes.
MOST_COMPARED = 20_000


def nearest(word: str, choices: Iterable[str]) -> str | None:
    """Return the choice most like `word`, or None where none is like it.

    >>> nearest("treshold_db", ["ratio", "threshold_db"])
    'threshold_db'
    """
    from difflib import get_close_matches

    if word.isdigit():
        # 100 is not 1000 misspelt.
        return None
    by_folded = {choice.casefold().replace(" ", "_"): choice for choice in choices}
    found = get_close_matches(word.casefold().replace(" ", "_"), by_folded, n=1, cutoff=0.6)
    return by_folded[found[0]] if found else None


def similar(kind: str, word: str, choices: Iterable[str]) -> str | None:
    """Return the help for an unknown name: a similar one, or the few there are.

    >>> similar("key", "rato", ["ratio", "attack_ms"])
    'a key with a similar name exists: ratio'
    """
    known = list(choices)
    return Hints(left=len(known)).similar(kind, word, known)


@dataclass
class Hints:
    """Help for the unknown names of one sheet, as long as looking for it takes no time to speak of.

    `left` is how many names may still be held against another.
    """

    left: int = MOST_COMPARED
    _found: dict[tuple[str, tuple[str, ...]], str | None] = field(default_factory=dict, repr=False)

    def nearest(self, word: str, choices: Sequence[str]) -> str | None:
        """Return what :func:`nearest` does; None for a new word once too much was looked for."""
        asked = word, tuple(choices)
        if asked not in self._found:
            self.left -= len(choices)
            if self.left < 0:
                return None
            self._found[asked] = nearest(word, choices)
        return self._found[asked]

    def similar(self, kind: str, word: str, choices: Sequence[str]) -> str | None:
        """Return the help for an unknown name; None once too much was looked for.

        >>> hints = Hints(left=3)
        >>> hints.similar("track", "bas", ["bass", "kick"])
        'a track with a similar name exists: bass'
        >>> hints.similar("track", "kik", ["bass", "kick"]) is None
        True
        """
        if (found := self.nearest(word, choices)) is not None:
            return f"a {kind} with a similar name exists: {found}"
        kinds = kind.replace(" or ", "s or ") + "s"
        if not choices:
            return f"the sheet has no {kinds}"
        is_told = self.left >= 0 and len(choices) <= 12
        return f"known {kinds}: {', '.join(choices)}" if is_told else None
