"""What every processor is: frozen settings that start a running state.

Laws, tested over every registered processor: any block size gives the same bits, silence in
gives silence out, the declared latency is the real one, nothing becomes NaN, and the same input
gives the same bits.
"""

from __future__ import annotations

from dataclasses import Field, dataclass, field, fields
from typing import Any, Protocol

from mixwright.units import Block

# How far down a tail is when it counts as over: what is cut then lies under any dither.
TAIL_DB = 75.0


class Running(Protocol):
    """A processor at work. It may overwrite the block it is given and return that same array."""

    @property
    def latency(self) -> int:
        """Samples by which the output lags the input."""
        ...

    @property
    def tail(self) -> int:
        """Samples after the end of the input until the output is `TAIL_DB` down or silent."""
        ...

    def process(self, block: Block) -> Block:
        """Return as many frames as were given."""
        ...


@dataclass(frozen=True)
class Bounds:
    """The closed range a number must lie in."""

    low: float
    high: float


def bounded(low: float, high: float, **kwargs: Any) -> Any:
    """Declare a dataclass field whose value must lie in ``[low, high]``.

    The JSON Schema repeats these bounds; a test holds the two together.
    """
    return field(metadata={"bounds": Bounds(low, high)}, **kwargs)


def bounds_of(settings: type) -> dict[str, Bounds]:
    """Return the declared bounds of a settings class by field name."""
    found: dict[str, Bounds] = {}
    entry: Field[Any]
    for entry in fields(settings):
        if "bounds" in entry.metadata:
            found[entry.name] = entry.metadata["bounds"]
    return found


def check_bounds(settings: Any) -> None:
    """Raise ValueError for the first number outside its declared bounds."""
    for name, bounds in bounds_of(type(settings)).items():
        value = getattr(settings, name)
        if isinstance(value, int | float) and not bounds.low <= value <= bounds.high:
            raise ValueError(
                f"{name} is {value:g}, expected between {bounds.low:g} and {bounds.high:g}"
            )
