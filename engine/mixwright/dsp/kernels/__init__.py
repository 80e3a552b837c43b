"""The per-sample loops, compiled by numba. Imported only when something is rendered.

Each kernel releases the GIL, works on caller-owned arrays and carries its state in an array, so
that any split of the input into blocks gives the same bits.
"""
