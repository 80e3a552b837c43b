"""Did you mean: the name that was probably meant."""

from __future__ import annotations

from collections.abc import Iterable


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
    if (found := nearest(word, known)) is not None:
        return f"a {kind} with a similar name exists: {found}"
    kinds = kind.replace(" or ", "s or ") + "s"
    if not known:
        return f"the sheet has no {kinds}"
    return f"known {kinds}: {', '.join(known)}" if len(known) <= 12 else None


def listed(words: Iterable[str], joint: str = "or") -> str:
    """Return words as a person lists them.

    >>> listed(["a", "b", "c"])
    'a, b or c'
    """
    every = list(words)
    return f" {joint} ".join(filter(None, [", ".join(every[:-1]), *every[-1:]]))
