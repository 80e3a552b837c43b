"""The per-sample loops, compiled by numba. Imported only when something is rendered.

Each kernel releases the GIL, works on caller-owned arrays and carries its state in an array, so
that any split of the input into blocks gives the same bits.

Numba takes settings from a file in the current folder, over those of the user: among them how code
is compiled, and where it is loaded from. A song from a stranger may lie there: this is refused
before numba is imported.
"""

import os

from mixwright.problem import Problem, ProblemError

SETTINGS = ".numba_config.yaml"

if os.path.exists(SETTINGS):
    message = f"there is a file {SETTINGS} in the current folder, which would set how mixwright's"
    hint = "work in another folder or remove it; numba's settings can be set in the environment"
    raise ProblemError([Problem("machine/numba", f"{message} own code is compiled", help=hint)])
