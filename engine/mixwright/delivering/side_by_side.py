"""Work done side by side, each piece in a process of its own, so that none can hurt another.

A process that is killed or meets a fault ends its own piece alone. Processes are started afresh
(``spawn``), since a copy of a process with threads in it may hang.
"""

from __future__ import annotations

import errno
import multiprocessing
import os
import pickle
import signal
import threading
import time
import traceback
from collections import deque
from collections.abc import Callable, Generator, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from multiprocessing.connection import Connection, wait
from multiprocessing.process import BaseProcess
from typing import Any, Generic, TypeVar

from mixwright.problem import Fault, Problem, ProblemError

Made = TypeVar("Made")
# (stage, share done from 0 to 1), and the same with the name of the piece before it
Told = Callable[[str, float], None]
TellAll = Callable[[str, str, float], None]
FULL = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG, errno.EIO)
TELL_EVERY_S = 0.1
TIME_TO_STOP_S = 10.0
EXIT_STOPPED = 130


@dataclass(frozen=True)
class Job(Generic[Made]):
    """A piece of work: `work` is what a fresh process can import, or a partial of such."""

    name: str
    work: Callable[[Told], Made]


@dataclass(frozen=True)
class Outcome(Generic[Made]):
    """What became of a job: a result, or problems, or a `bug`, an exception that is our fault."""

    result: Made | None = None
    problems: tuple[Problem, ...] = ()
    bug: Exception | None = None


@dataclass
class _Run(Generic[Made]):
    """A job under way."""

    index: int
    name: str
    process: BaseProcess
    pipe: Connection
    outcome: Outcome[Made] | None = None


def side_by_side(
    jobs: Sequence[Job[Made]], at_once: int, progress: TellAll | None = None
) -> Generator[tuple[int, Outcome[Made]], None, None]:
    """Do jobs, at most so many at once, and yield the index and outcome of each as it ends.

    Nothing that happens to a job is raised here. To be closed (:func:`contextlib.closing`): then
    jobs under way are told to stop, which they do without leaving anything half done.
    """
    waiting = deque(enumerate(jobs))
    running: list[_Run[Made]] = []
    try:
        while waiting or running:
            while waiting and len(running) < at_once:
                running.append(_started(*waiting.popleft()))
            ready = wait([run.pipe for run in running])
            for run in [run for run in running if run.pipe in ready]:
                if _hear(run, progress):
                    continue
                run.process.join()
                running.remove(run)
                outcome = run.outcome or Outcome(problems=(_died(run.process.exitcode or 0),))
                _release(run)
                yield run.index, outcome
    finally:
        _stop(running)


def _started(index: int, job: Job[Made]) -> _Run[Made]:
    context = multiprocessing.get_context("spawn")
    ours, theirs = context.Pipe(duplex=False)
    process = context.Process(target=_at_work, args=(job.work, theirs), daemon=True)
    with _deaf_to_interrupts():
        process.start()
    theirs.close()  # from now on the end of the process is the end of what can be read
    return _Run(index, job.name, process, ours)


@contextmanager
def _deaf_to_interrupts() -> Iterator[None]:
    """Start processes that Ctrl-C does not reach: it is for us to tell them, once.

    Being deaf is inherited. Signals can be set in the main thread alone.
    """
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, signal.SIG_DFL if before is None else before)


def _hear(run: _Run[Made], progress: TellAll | None) -> bool:
    """Take what a job says; return whether there may be more."""
    try:
        said = run.pipe.recv()
    except (EOFError, OSError):  # it has ended, perhaps in the middle of a word
        return False
    if isinstance(said, Outcome):
        run.outcome = said
    elif progress is not None:
        progress(run.name, *said)
    return True


def _died(status: int) -> Problem:
    """What to say of a process that ended without an outcome."""
    if status < 0:
        try:
            word = signal.Signals(-status).name
        except ValueError:  # one without a name
            word = f"signal {-status}"
        message = f"its process was killed ({word}) before it was done"
        hint = "if memory ran out, give fewer --threads: then fewer songs are made at once"
    else:
        message = f"its process ended with status {status} before it was done"
        hint = "a script has to begin its work under: if __name__ == '__main__'"
    return Problem("deliver/process-ended", message, help=hint, fault=Fault.MACHINE)


def _stop(running: Sequence[_Run[Any]]) -> None:
    """Let jobs clean up after themselves and end; those that don't in time are ended."""
    for run in running:
        run.process.terminate()
    last = time.monotonic() + TIME_TO_STOP_S
    for run in running:
        run.process.join(max(0.0, last - time.monotonic()))
        if run.process.exitcode is None:
            run.process.kill()
            run.process.join()
        _release(run)


def _release(run: _Run[Any]) -> None:
    run.pipe.close()
    run.process.close()


def _at_work(work: Callable[[Told], Any], pipe: Connection) -> None:
    """What the new process does: the job, and telling how it goes and what became of it."""

    def stop(*_: Any) -> None:
        raise SystemExit(EXIT_STOPPED)

    signal.signal(signal.SIGTERM, stop)
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    outcome = outcome_of(work, _Teller(pipe))
    try:
        pipe.send(outcome)
    except BrokenPipeError:
        raise SystemExit(EXIT_STOPPED) from None


class _Teller:
    """Tells the other process how far the work is, now and then. Any thread may call it."""

    def __init__(self, pipe: Connection) -> None:
        self._pipe, self._lock = pipe, threading.Lock()
        self._stage, self._told_s = "", 0.0

    def __call__(self, stage: str, share: float) -> None:
        now_s = time.monotonic()
        with self._lock:
            if stage == self._stage and share < 1.0 and now_s < self._told_s + TELL_EVERY_S:
                return
            self._stage, self._told_s = stage, now_s
            try:
                self._pipe.send((stage, share))
            except BrokenPipeError:  # no one is left who wants the work
                raise SystemExit(EXIT_STOPPED) from None


def outcome_of(work: Callable[[Told], Made], progress: Told) -> Outcome[Made]:
    """Do some work; whatever it raises becomes an outcome, so that it can be sent and said.

    >>> outcome_of(lambda progress: 7, print).result
    7
    """
    try:
        return Outcome(work(progress))
    except ProblemError as error:
        return Outcome(problems=error.problems)
    except MemoryError:
        return Outcome(problems=(_refused("the machine ran out of memory"),))
    except Exception as error:  # noqa: BLE001 - our own bug, handed on to be said as such
        if isinstance(error, OSError) and error.errno in FULL:
            reason = os.strerror(error.errno).lower()
            return Outcome(problems=(_refused(f"the output can't be written: {reason}"),))
        return Outcome(bug=_fit_to_send(error))


def _refused(message: str) -> Problem:
    return Problem("deliver/machine", message, fault=Fault.MACHINE)


def _fit_to_send(error: Exception) -> Exception:
    """An exception with its traceback as a note, since that itself can't leave the process."""
    told = "".join(traceback.format_exception(error))
    try:
        sent = pickle.loads(pickle.dumps(error))
    except Exception:  # noqa: BLE001 - one that can't be sent may fail in any way
        sent = RuntimeError(f"{type(error).__name__}: {error}")
    assert isinstance(sent, Exception)
    sent.add_note(f"In a process of its own:\n{told}")
    return sent
