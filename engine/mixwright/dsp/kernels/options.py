"""How every kernel is compiled."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numba

from mixwright.dsp.kernels.kept import KeptCode
from mixwright.places import CodePlace

# `contract` lets a*b+c become one fused instruction: the only freedom given, so that results do
# not depend on how wide the machine's vectors are.
OPTIONS: dict[str, Any] = {
    "nogil": True,
    "fastmath": {"contract"},
    "error_model": "numpy",
}
int8, int32 = numba.int8, numba.int32


def njit(place: CodePlace | None = None, **options: Any) -> Callable[[Callable[..., Any]], Any]:
    """Return a decorator that compiles a function at its first call, and keeps the code.

    Numba's ``cache=True`` would fail where no folder can be written to, and at a damaged file:
    kernels are compiled by this alone. `place` is for tests.
    """

    def compiled(function: Callable[..., Any]) -> Any:
        kernel = numba.njit(**options)(function)
        kernel._cache = KeptCode(function, place)
        return kernel

    return compiled
