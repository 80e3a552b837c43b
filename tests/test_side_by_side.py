"""Work in processes of its own: what befalls one, how all are stopped, what they raise."""

from __future__ import annotations

import contextlib
import errno
import os
import pickle
import signal
import subprocess
import sys
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

import pytest

import small_jobs
from mixwright.delivering.side_by_side import Job, Outcome, outcome_of, side_by_side
from mixwright.problem import Fault, Problem, ProblemError


def outcomes(
    jobs: list[Job[Any]], at_once: int = 2, tell: Callable[[str, str, float], None] | None = None
) -> dict[str, Outcome[Any]]:
    with contextlib.closing(side_by_side(jobs, at_once, tell)) as ended:
        return {jobs[index].name: outcome for index, outcome in ended}


@pytest.mark.skipif(os.name == "nt", reason="no signals to be killed by")
def test_what_befalls_one_process_leaves_the_others_alone() -> None:
    told: list[tuple[str, str, float]] = []
    jobs: list[Job[Any]] = [
        Job("killed", small_jobs.be_killed),
        Job("early", small_jobs.end_early),
        Job("bug", small_jobs.be_at_fault),
        Job("fine", partial(small_jobs.add, 1, 2)),
        Job("deaf", small_jobs.was_born_deaf),
    ]
    found = outcomes(jobs, 2, lambda *words: told.append(words))
    assert found["fine"] == Outcome(3)
    assert found["deaf"].result, "Ctrl-C says nothing to a process, not even as it begins"
    assert set(told) == {("killed", "running out of memory", 0.5), ("fine", "adding", 0.5)}
    (killed,), (early,) = found["killed"].problems, found["early"].problems
    assert killed.message == "its process was killed (SIGKILL) before it was done"
    assert early.message == "its process ended with status 7 before it was done"
    assert killed.fault is early.fault is Fault.MACHINE
    bug = found["bug"].bug
    assert isinstance(bug, RuntimeError)
    assert str(bug) == "OddError: 1 and 2"
    assert "in be_at_fault" in bug.__notes__[0], "it says where it came from"


@pytest.mark.skipif(os.name == "nt", reason="a process is ended there without being asked")
def test_an_interrupt_stops_processes_without_leaving_anything_half_done(tmp_path: Path) -> None:
    script = f"""
import contextlib, pathlib, signal, sys
from functools import partial
signal.signal(signal.SIGINT, signal.default_int_handler)  # whoever runs tests may ignore it
sys.path.insert(0, {str(Path(__file__).parent)!r})
import small_jobs
from mixwright.delivering.side_by_side import Job, side_by_side
jobs = [Job(n, partial(small_jobs.write_until_told, pathlib.Path(n))) for n in "ab"]
tell = lambda name, stage, share: print(name, flush=True)
try:
    with contextlib.closing(side_by_side(jobs, 2, tell)) as ended:
        list(ended)
except KeyboardInterrupt:
    print("stopped")
"""
    command = [sys.executable, "-c", script]
    streams = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE, "text": True}
    with subprocess.Popen(command, cwd=tmp_path, start_new_session=True, **streams) as running:
        begun = {running.stdout.readline() for _ in range(2)}
        halves = {path.name for path in tmp_path.iterdir()}
        os.killpg(running.pid, signal.SIGINT)  # as a terminal does: all processes are told
        said, complaints = running.communicate(timeout=30)
    assert (begun, halves) == ({"a\n", "b\n"}, {"a", "b"})
    assert (said, complaints) == ("stopped\n", "")
    assert list(tmp_path.iterdir()) == []


def raising(error: BaseException) -> Callable[[Any], None]:
    def work(progress: Any) -> None:
        raise error

    return work


def test_what_work_raises_is_told_apart() -> None:
    problem = Problem("test/it", "it is so")
    assert outcome_of(raising(ProblemError([problem])), print) == Outcome(problems=(problem,))
    full = OSError(errno.ENOSPC, "No space left")
    for error, words in (
        (MemoryError(), "the machine ran out of memory"),
        (full, "the output can't be written: no space left on device"),
    ):
        (found,) = outcome_of(raising(error), print).problems
        assert (found.message, found.fault) == (words, Fault.MACHINE)
    found_bug = outcome_of(raising(OSError(errno.EBADF, "of ours")), print).bug
    assert isinstance(found_bug, OSError)
    assert "raise error" in found_bug.__notes__[0]
    assert isinstance(pickle.loads(pickle.dumps(Outcome(bug=found_bug))), Outcome)
