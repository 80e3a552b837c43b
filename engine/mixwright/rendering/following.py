"""Parts of a mix that add up to it, although it runs through things that aren't linear.

A compressor turns down what it is given by how loud that is: two halves of a mix, compressed
apart, don't add up to the mix compressed. They do if both go by the whole mix: what the compressor
does is then fixed, and doing it to a sum is doing it to each summand. So each dynamics processor of
a part *follows* that of the mix: it hears what that one hears. Gates, de-essers, limiters and
delays that duck alike.

An insert (a saturation, a plug-in) has no such ear. There, what each part *adds* to those before
it is told apart: the first is what it would be alone; each later one the difference that it makes.
These differences add up to the whole for whatever the insert does.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from mixwright.dsp.delay import DelaySettings
from mixwright.rendering.parts import BusPlan, ReturnPlan
from mixwright.units import Block

if TYPE_CHECKING:
    from mixwright.rendering.chain import Chain


def goes_by_lead(part: BusPlan | ReturnPlan) -> bool:
    """Return whether a group or bus does anything by what it hears; a return, whether it ducks."""
    if isinstance(part, BusPlan):
        return part.chain.acts_after_eq
    return isinstance(part.effect, DelaySettings) and part.effect.duck_db is not None


def is_added(part: BusPlan | ReturnPlan) -> bool:
    """Return whether parts of a set are told apart in it by what each adds: it has inserts."""
    return bool(part.chain.inserts if isinstance(part, BusPlan) else part.inserts)


class Heard:
    """What processors of one strip hear, kept block by block for those that follow them."""

    def __init__(self) -> None:
        self._blocks: dict[str, Block] = {}

    def keep(self, part: str, block: Block) -> None:
        """Keep a copy of what a part is about to hear."""
        kept = self._blocks.get(part)
        if kept is None or kept.shape != block.shape:
            self._blocks[part] = block.copy()
        else:
            kept[:] = block

    def of(self, part: str) -> Block:
        """Return what a part heard of the block at hand."""
        return self._blocks[part]


class Additions:
    """What each of several parts adds to those before it, a block at a time, in order."""

    def __init__(self) -> None:
        self._sound: Block | None = None
        self._made: Block | None = None

    def add(self, block: Block, first: bool, work: Callable[[Block], object]) -> Block:
        """Replace `block`, one part, by what it adds once `work` was done to the sum so far.

        `work` works in place, on an instance of its own for every part.
        """
        if first or self._sound is None or self._made is None:
            self._sound = block.copy()
            work(block)
            self._made = block.copy()
            return block
        self._sound += block
        made = self._sound.copy()
        work(made)
        block[:] = made
        block -= self._made
        self._made = made
        return block


@dataclass(frozen=True)
class Following:
    """How a strip goes by another: whose ears it uses, and which part of a set it is."""

    lead: Chain | None = None
    additions: Additions | None = None
    is_first: bool = True


ON_ITS_OWN = Following()
