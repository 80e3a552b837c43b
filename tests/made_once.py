"""What tests share and takes a while to make: made when the first asks for it, and kept."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from typing import TypeVar

Thing = TypeVar("Thing")


class MadeOnce(Mapping[str, Thing]):
    """Things by name; each is made by its function when it is first asked for.

    >>> numbers = MadeOnce({"one": lambda: 1})
    >>> list(numbers), numbers["one"]
    (['one'], 1)
    """

    def __init__(self, makers: Mapping[str, Callable[[], Thing]]) -> None:
        self._makers, self._made = dict(makers), dict[str, Thing]()

    def __getitem__(self, name: str) -> Thing:
        if name not in self._made:
            self._made[name] = self._makers[name]()
        return self._made[name]

    def __iter__(self) -> Iterator[str]:
        return iter(self._makers)

    def __len__(self) -> int:
        return len(self._makers)
