"""The processor that kernels are compiled for: another one may round last bits otherwise."""

from __future__ import annotations

import re
from functools import cache

# Sets of instructions that calculate with numbers; those for ciphers, say, change no sample.
_CALCULATING = re.compile(r"(sse|ssse|avx|fma|f16c|xop|neon|sve|sme|fp|fullfp|vsx|altivec|vector)")


@cache
def compiled_for() -> tuple[str, str]:
    """Return the processor's family, as the compiler calls it, and its arithmetic instruction sets.

    The sets are sorted, with blanks between them. Both are what code is made for: that of this
    machine, unless the environment has the compiler aim at another (``NUMBA_CPU_NAME``).
    """
    from numba.core.registry import cpu_target

    _, name, features = cpu_target.target_context.codegen().magic_tuple()
    on = (word[1:] for word in features.split(",") if word.startswith("+"))
    return name, " ".join(sorted(word for word in on if _CALCULATING.match(word)))
