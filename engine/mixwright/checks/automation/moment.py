"""A moment of the song in a few words."""

from __future__ import annotations


def moment(seconds: float, section: str | None) -> str:
    """Return a time as minutes and seconds, with its section where there is one.

    >>> moment(83.4, "verse 1"), moment(7.0, None)
    ('1:23 (verse 1)', '0:07')
    """
    minutes, rest = divmod(int(seconds), 60)
    return f"{minutes}:{rest:02d}" + ("" if section is None else f" ({section})")
