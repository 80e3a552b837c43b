"""How every kernel is compiled."""

from __future__ import annotations

from typing import Any

# `contract` lets a*b+c become one fused instruction: the only freedom given, so that results do
# not depend on how wide the machine's vectors are.
OPTIONS: dict[str, Any] = {
    "nogil": True,
    "cache": True,
    "fastmath": {"contract"},
    "error_model": "numpy",
}
