"""A command in a forked child: what it says, how it ends, and what befalls it on the way."""

from __future__ import annotations

import os
import select
import signal
import sys
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from fuzzing.disk_gate import Gate
from fuzzing.nursery import die_with_parent

HANGS_S = 90.0  # on a machine that is busy with other things


@dataclass(frozen=True)
class Command:
    """A command line to run in a folder.

    `before` is called in the child before it begins, `gate` decides about its system calls.
    """

    arguments: Sequence[str]
    folder: Path
    environment: Mapping[str, str] = field(default_factory=dict)
    before: Callable[[], None] | None = None
    gate: Gate | None = None


@dataclass
class Done:
    """How a command ended: its exit status (minus the signal that killed it), and what it said."""

    arguments: Sequence[str]
    status: int | None
    out: str
    err: str
    seconds: float

    @property
    def said(self) -> str:
        """All that it said."""
        return f"{self.out}{self.err}"

    @property
    def told(self) -> str:
        """The command and how it ended, for a report."""
        words = " ".join(self.arguments)
        return f"mixwright {words} -> {self.status}\n{self.err[-1500:]}"


class Child:
    """A command that is under way."""

    def __init__(self, command: Command) -> None:
        self.command, self.begun = command, time.monotonic()
        self.status: int | None = None
        self.said: dict[int, bytes] = {}
        (self.out, out), (self.err, err) = os.pipe(), os.pipe()
        sys.stdout.flush()
        sys.stderr.flush()
        self.pid = os.fork()
        if not self.pid:
            _become(command, out, err)
        os.close(out)
        os.close(err)
        self.said = {self.out: b"", self.err: b""}
        self.watched = os.pidfd_open(self.pid) if sys.platform == "linux" else -1
        if command.gate is not None:
            command.gate.receive(self.pid)

    def kill(self) -> None:
        """End it at once."""
        if self.status is None:
            os.kill(self.pid, signal.SIGKILL)

    def ended(self) -> bool:
        """Whether it has ended; `status` says how."""
        if self.status is None:
            pid, status = os.waitpid(self.pid, os.WNOHANG)
            if pid:
                self.status = os.waitstatus_to_exitcode(status)
        return self.status is not None

    def listen(self, opened: int) -> bool:
        """Take in what it says; False at the end."""
        piece = os.read(opened, 65536)
        self.said[opened] += piece
        return bool(piece)

    def done(self, hung: bool) -> Done:
        """What came of it."""
        gate = self.command.gate
        if gate is not None:
            gate.close()
        out, err = (self.said[at].decode("utf-8", "replace") for at in (self.out, self.err))
        for opened in (self.out, self.err, self.watched):
            if opened >= 0:
                os.close(opened)
        seconds = time.monotonic() - self.begun
        status = None if hung else self.status
        return Done(self.command.arguments, status, out, err, seconds)


def _become(command: Command, out: int, err: int) -> None:
    """Be the command, in the child; never returns."""
    status = 1
    try:
        die_with_parent()
        nothing = os.open(os.devnull, os.O_RDONLY)
        for place, opened in enumerate((nothing, out, err)):
            os.dup2(opened, place)
        os.closerange(3, 256) if command.gate is None else command.gate.keep_only_pipe()
        os.chdir(command.folder)
        os.environ.update(command.environment)
        import tempfile

        tempfile.tempdir = None
        sys.argv = ["mixwright", *command.arguments]
        if command.before is not None:
            command.before()
        if command.gate is not None:
            command.gate.install()
        from mixwright import cli

        status = cli.run(list(command.arguments))
        sys.stdout.flush()
        sys.stderr.flush()
    except BaseException:  # noqa: BLE001 - what gets out of the command line is a fault
        import traceback

        os.write(2, f"an exception got out:\n{traceback.format_exc()}".encode())
        status = 99
    finally:
        os._exit(status)


Moment = tuple[float, Callable[[Sequence[Child]], Any]]


def run(command: Command, moments: Sequence[Moment] = (), seconds: float = HANGS_S) -> Done:
    """Run one command to its end."""
    return run_all([command], moments, seconds)[0]


def run_all(
    commands: Sequence[Command], moments: Sequence[Moment] = (), seconds: float = HANGS_S
) -> list[Done]:
    """Run commands side by side; each of `moments` is done after so many seconds.

    A command that hangs is killed, and has no status.
    """
    children = [Child(command) for command in commands]
    begun, left = time.monotonic(), sorted(moments, key=lambda moment: moment[0])
    poll = select.poll()
    by_number = {}
    for child in children:
        for opened in (child.out, child.err):
            by_number[opened] = child
            poll.register(opened, select.POLLIN | select.POLLHUP)
        if child.command.gate is not None and child.command.gate.number is not None:
            by_number[child.command.gate.number] = child
            poll.register(child.command.gate.number, select.POLLIN)
        if sys.platform == "linux":  # else its end is noticed a little later
            by_number[child.watched] = child
            poll.register(child.watched, select.POLLIN)
    hung = False
    while not all(child.ended() for child in children) or by_number:
        passed = time.monotonic() - begun
        while left and left[0][0] <= passed:
            left.pop(0)[1](children)
        if passed > seconds:
            hung = True
            for child in children:
                child.kill()
        wait_s = min(left[0][0] - passed, 0.2) if left else 0.2
        for number, events in poll.poll(max(wait_s, 0.0) * 1000):
            child = by_number[number]
            gate = child.command.gate
            if gate is not None and number == gate.number:
                going_on = bool(events & select.POLLIN) and gate.decide()
            elif number == child.watched:
                going_on = False
            else:
                going_on = child.listen(number)
            if not going_on:
                poll.unregister(number)
                del by_number[number]
    return [child.done(hung) for child in children]
