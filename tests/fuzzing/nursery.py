"""A process to fork from: warm (engine imported, kernels compiled) and with one thread only.

Forking is safe only where there are no threads, and a test runner may have some. So trials that
fork run in a process of their own, which is started once and serves one trial after the other.
"""

from __future__ import annotations

import atexit
import ctypes
import multiprocessing
import os
import random
import shutil
import signal
import sys
import tempfile
import threading
from collections.abc import Callable
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

DIE_WITH_PARENT = 1  # prctl(2): PR_SET_PDEATHSIG
ONE_THREAD = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS")
_nursery: tuple[Any, Connection] | None = None


def in_nursery(trial: Callable[..., Any], *arguments: Any) -> Any:
    """Return what a trial returns that runs in the warm process, with the environment of this one.

    `trial` is a function of a module. Raises RuntimeError with what it raised.
    """
    global _nursery
    if _nursery is None or not _nursery[0].is_alive():
        _nursery = _started()
    _, pipe = _nursery
    pipe.send((trial, arguments, dict(os.environ)))
    result, error = pipe.recv()
    if error is not None:
        raise RuntimeError(error)
    return result


def _started() -> tuple[Any, Connection]:
    ours, theirs = multiprocessing.get_context("spawn").Pipe()
    before = {name: os.environ.get(name) for name in ONE_THREAD}
    os.environ.update(dict.fromkeys(ONE_THREAD, "1"))
    try:
        process = multiprocessing.get_context("spawn").Process(target=_serve, args=(theirs,))
        process.start()
    finally:
        for name, value in before.items():
            if value is None:
                del os.environ[name]
            else:
                os.environ[name] = value
    theirs.close()
    atexit.register(process.kill)
    return process, ours


def die_with_parent() -> None:
    """Let this process be killed when its parent goes, where the system knows how."""
    if sys.platform == "linux":
        ctypes.CDLL(None).prctl(DIE_WITH_PARENT, signal.SIGKILL)


def _serve(pipe: Connection) -> None:
    import traceback

    die_with_parent()
    signal.signal(signal.SIGINT, signal.default_int_handler)
    warm_up()
    while True:
        try:
            trial, arguments, environment = pipe.recv()
        except EOFError:
            return
        os.environ.clear()
        os.environ.update(environment)
        try:
            assert threading.active_count() == 1, "forking is not safe beside threads"
            answer = trial(*arguments), None
        except Exception:  # noqa: BLE001 - told to whoever asked
            answer = None, traceback.format_exc()
        pipe.send(answer)


def warm_up() -> None:
    """Run every verb once: what is imported and compiled now is there in every fork."""
    from fuzzing.small_song import new_song, write_song
    from mixwright import cli

    home = Path(tempfile.mkdtemp(prefix="mixwright-fuzz-warm-")).resolve()
    os.environ["MIXWRIGHT_CACHE"] = str(home / "cache")
    where, said = os.getcwd(), os.open(os.devnull, os.O_WRONLY)
    kept = os.dup(1), os.dup(2)
    try:
        write_song(home, new_song(random.Random(0)))
        os.chdir(home)
        for place in (1, 2):
            os.dup2(said, place)
        for arguments in WARMING:
            status = cli.run(arguments)
            if status not in (0, 1):
                os.write(kept[1], f"the warm-up ended in {status}: {arguments}\n".encode())
    finally:
        sys.stdout.flush()
        for place, copy in zip((1, 2), kept, strict=True):
            os.dup2(copy, place)
        os.chdir(where)
        shutil.rmtree(home, ignore_errors=True)


WARMING = (
    ["validate", "mix.yaml"],
    ["inspect", "mix.yaml"],
    ["render", "mix.yaml"],
    ["deliver", "mix.yaml"],
    ["check", "mix.yaml"],
    ["review", "mix.yaml", "--against", "before.yaml"],
    ["bypass", "mix.yaml", "lead", "eq"],
    ["measure", "mix.yaml", "--against-references", "--plot", "tone.png"],
    ["measure", "mix.yaml", "--by-section", "--plot", "spectra.svg"],
    ["compare", "before.yaml", "mix.yaml", "--format", "html"],
    ["log", "mix.yaml", "--md", "--out", "recall.md"],
    ["verify", "out", "--rerender"],
    ["tidy", "mix.yaml"],
    ["schema", "--path"],
)
