"""Run every verb once on a small song: what it compiles, all tests find compiled.

``make test`` does it beside lint and types; without it, each of the processes that test would
compile the same for itself.
"""

from __future__ import annotations

from fuzzing.nursery import warm_up

if __name__ == "__main__":
    warm_up()
