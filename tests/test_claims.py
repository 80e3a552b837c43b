"""Temporary files: what a dead maker left is cleared and nothing else, however many are at work."""

from __future__ import annotations

import errno
import os
import re
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from cut_off import cut_off
from mixwright import claims
from mixwright.audio.staged import check_name, written_beside
from mixwright.claims import Taken, claimed, locked_file, nameless, sweep
from mixwright.problem import Fault, ProblemError

HERE = Path(__file__).resolve().parent
TOKEN = "0123456789abcdef"
LINE = claims._own_line().decode()
ELSEWHERE = "mixwright claim 1 host another-desk\n"
# Another machine that is called alike, as copies of one image are.
NAMESAKE = f"mixwright claim 1 host {socket.gethostname()}/0123456789abcdef\n"
needs_fork = pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork")


def left_over(folder: Path, line: str | None = LINE, token: str = TOKEN) -> Path:
    """What a maker that died left: its folder, its claim, a file, a folder of files, a link."""
    room = folder / f".mixwright-{token}"
    (room / "more").mkdir(parents=True)
    (room / "1").write_text("half")
    (room / "more" / "2").write_text("half")
    if line is not None:
        (room / f"{token}.claim").write_text(line)
    return room


def aged(path: Path, days: float) -> Path:
    """Make it, and all below it, as old as that."""
    when = time.time() - 86400.0 * days
    for one in [*path.rglob("*"), path]:
        os.utime(one, (when, when), follow_symlinks=False)
    return path


def names(folder: Path) -> list[str]:
    return sorted(p.relative_to(folder).as_posix() for p in folder.rglob("*"))


def test_a_place_is_gone_afterwards_and_what_was_renamed_out_of_it_stays(tmp_path: Path) -> None:
    with claimed(tmp_path) as room:
        assert re.fullmatch(r"\.mixwright-[0-9a-f]{16}", room.name)
        (room / "1").write_text("whole")
        (room / "sub").mkdir()
        (room / "sub" / "2").write_text("half")
        os.replace(room / "1", tmp_path / "done")
    assert names(tmp_path) == ["done"]

    def interrupted() -> None:
        with claimed(tmp_path) as room:
            (room / "1").write_text("half")
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        interrupted()
    assert names(tmp_path) == ["done"]


def test_what_a_dead_maker_left_is_cleared(tmp_path: Path) -> None:
    outside = tmp_path / "mine"
    outside.mkdir()
    (outside / "song.wav").write_text("mine")
    room = left_over(tmp_path)
    (room / "link").symlink_to(outside)
    (tmp_path / ".mixwright-00000000000000ff").mkdir()  # died before its claim was there
    early = tmp_path / ".mixwright-00000000000000ee"  # and before it said anything
    early.mkdir()
    (early / "00000000000000ee.claim").touch()
    sweep(tmp_path)
    assert names(tmp_path) == ["mine", "mine/song.wav"]


@pytest.mark.parametrize(
    "name",
    [
        "mixwright-0123456789abcdef",
        ".mixwright-0123456789abcde",
        ".mixwright-0123456789abcdef0",
        ".mixwright-0123456789ABCDEF",
        ".mixwright-0123456789abcdef.wav",
        ".mixwright-set-list",
        ".mixwright-deliver-0123456789abcdef",
    ],
)
def test_what_is_called_otherwise_stays(tmp_path: Path, name: str) -> None:
    left_over(tmp_path).rename(tmp_path / name)
    before = names(tmp_path)
    sweep(tmp_path)
    assert names(tmp_path) == before


@pytest.mark.parametrize("line", [None, "a line of mine\n", LINE + "more", LINE[:-1] + " more\n"])
def test_what_holds_no_claim_of_ours_stays_however_old(tmp_path: Path, line: str | None) -> None:
    aged(left_over(tmp_path, line), 1000)
    before = names(tmp_path)
    sweep(tmp_path)
    with claimed(tmp_path):
        pass
    assert names(tmp_path) == before


def test_files_links_and_pipes_of_such_a_name_stay(tmp_path: Path) -> None:
    target = left_over(tmp_path / "mine")
    (tmp_path / f".mixwright-{TOKEN}").symlink_to(target)
    (tmp_path / ".mixwright-00000000000000aa").write_text(LINE)
    room = tmp_path / ".mixwright-00000000000000bb"
    room.mkdir()
    (room / "00000000000000bb.claim").symlink_to(target / f"{TOKEN}.claim")
    pipe = tmp_path / ".mixwright-00000000000000cc"
    pipe.mkdir()
    os.mkfifo(pipe / "00000000000000cc.claim")
    before = names(tmp_path)
    sweep(tmp_path)
    assert names(tmp_path) == before


@pytest.mark.parametrize("line", [ELSEWHERE, NAMESAKE])
def test_what_another_host_claimed_goes_after_a_week(tmp_path: Path, line: str) -> None:
    room = left_over(tmp_path, line)
    aged(room, 6)
    sweep(tmp_path)
    assert room.exists()
    aged(room, 8)
    (room / "more" / "2").write_text("more")  # its maker is at it still
    sweep(tmp_path)
    assert room.exists()
    aged(room, 8)
    sweep(tmp_path)
    assert names(tmp_path) == []


def test_a_claim_that_lost_its_line_with_the_power_goes_after_a_week(tmp_path: Path) -> None:
    room = aged(left_over(tmp_path, ""), 6)
    sweep(tmp_path)
    assert room.exists()
    aged(room, 8)
    sweep(tmp_path)
    assert names(tmp_path) == []


@pytest.mark.skipif(not hasattr(os, "geteuid"), reason="has no owners")
def test_what_another_user_owns_stays(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    left_over(tmp_path)
    before = names(tmp_path)
    monkeypatch.setattr(os, "geteuid", lambda: 12345)
    sweep(tmp_path)
    assert names(tmp_path) == before


def test_what_is_being_worked_in_stays(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with claimed(tmp_path) as room:
        (room / "1").write_text("half")
        aged(room, 1000)
        before = names(tmp_path)
        sweep(tmp_path)
        # By the lock alone, as another process sees it.
        monkeypatch.setattr(claims, "_held", set())
        sweep(tmp_path)
        with claimed(tmp_path):
            pass
        assert names(tmp_path) == before
    assert names(tmp_path) == []


def refusing(code: int) -> Callable[..., Any]:
    def refuse(*_: Any, **__: Any) -> Any:
        raise OSError(code, os.strerror(code))

    return refuse


@pytest.mark.parametrize("call", ["unlink", "rmdir", "listdir"])
def test_a_disk_that_refuses_to_be_cleared_stops_nobody(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, call: str
) -> None:
    left_over(tmp_path)
    with monkeypatch.context() as patch:
        patch.setattr(os, call, refusing(errno.EROFS))
        sweep(tmp_path)
        with written_beside(tmp_path / "mix.wav") as beside:
            beside.write_text("whole")
    assert (tmp_path / "mix.wav").read_text() == "whole"
    sweep(tmp_path)
    assert names(tmp_path) == ["mix.wav"]
    sweep(tmp_path / "nowhere")


@pytest.mark.parametrize("code", [errno.ENOLCK, errno.EOPNOTSUPP])
def test_without_locks_there_is_work_but_no_sweeping(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, code: int
) -> None:
    left_over(tmp_path)
    before = names(tmp_path)
    monkeypatch.setattr(claims.fcntl, "flock", refusing(code))
    with claimed(tmp_path) as room:
        (room / "1").write_text("half")
        sweep(tmp_path)
        assert (room / "1").exists()
    assert names(tmp_path) == before


def test_a_place_taken_before_it_was_claimed_is_made_anew(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    mkdir, taken = Path.mkdir, []

    def swept(self: Path, mode: int = 0o777) -> None:
        mkdir(self, mode)
        if len(taken) < 3:
            taken.append(self)
            sweep(tmp_path)

    monkeypatch.setattr(Path, "mkdir", swept)
    with claimed(tmp_path) as room:
        assert room not in taken
        assert room.exists()
    assert [path.exists() for path in taken] == [False] * 3
    assert names(tmp_path) == []


def test_somebody_elses_place_of_the_same_name_is_not_cleared(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    left_over(tmp_path, "a line of mine\n")
    before = names(tmp_path)
    monkeypatch.setattr(claims.secrets, "token_hex", lambda _: TOKEN)
    with pytest.raises(FileExistsError), claimed(tmp_path):
        pass
    assert names(tmp_path) == before


def test_a_nameless_file_has_no_name(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for _ in range(2):
        with nameless(tmp_path) as file:
            assert file.write(b"some") == 4
            assert names(tmp_path) == []
            assert (file.seek(0), file.read()) == (0, b"some")
        monkeypatch.delattr(os, "O_TMPFILE", raising=False)  # again on a machine without
    with pytest.raises(FileNotFoundError):
        nameless(tmp_path / "nowhere")


def test_a_lock_is_there_only_while_it_is_held(tmp_path: Path) -> None:
    lock = tmp_path / ".mixwright-lock"
    for _ in range(2):
        with locked_file(lock):
            assert lock.exists()
            with pytest.raises(Taken), locked_file(lock):
                pass
        assert names(tmp_path) == []
    lock.write_text("mine")
    with locked_file(lock):
        pass
    assert lock.read_text() == "mine"
    lock.unlink()
    os.mkfifo(lock)
    with pytest.raises(FileExistsError), locked_file(lock):
        pass


# What is written beside its target


@pytest.mark.parametrize("name", ["x" * 251 + ".wav", "\U0001f600" * 62 + ".wav", "a. . "])
def test_a_name_may_be_as_long_as_the_disk_takes(tmp_path: Path, name: str) -> None:
    check_name(tmp_path / name)
    with written_beside(tmp_path / name) as beside:
        beside.write_text("whole")
    assert names(tmp_path) == [name]


@pytest.mark.parametrize(
    ("path", "said"),
    [
        ("x" * 252 + ".wav", "its name takes 256 bytes, expected at most 255"),
        ("\U0001f600" * 63 + ".wav", "its name takes 256 bytes, expected at most 255"),
        ("new/" + "x" * 300 + "/mix.wav", "the name of a folder takes 300 bytes"),
        ("new/" + "y/" * 2500 + "mix.wav", "bytes, expected at most 4032"),
        ("a\0b", "is no name that a disk can take"),
        ("a\ud800b", "is no name that a disk can take"),
    ],
)
def test_a_name_that_is_too_long_is_the_users_to_mend(tmp_path: Path, path: str, said: str) -> None:
    with pytest.raises(ProblemError, match=said) as caught:
        check_name(tmp_path / path)
    assert caught.value.problems[0].fault is Fault.INPUT
    assert names(tmp_path) == []


# Many at once, killed at any moment


def write_over(target: Path, number: int) -> None:
    with written_beside(target) as beside:
        beside.write_text(f"{number}\n" * 2000 + "end")


def die_at_every_change(home: Path) -> None:
    """Kill a writer before each change to the disk, then the sweep before each of its own."""
    home.mkdir()
    target, points = home / "mix.wav", 0
    write_over(target, 1)
    while cut_off(lambda: write_over(target, 2), points):
        assert target.read_text() in (f"{number}\n" * 2000 + "end" for number in (1, 2))
        rounds = 0
        while cut_off(lambda: sweep(home), rounds):
            rounds += 1
        assert names(home) == ["mix.wav"]
        points += 1
    print(points)


def write_at_once(home: Path) -> None:
    """Four write one file over and over for a while, three of them killed and begun again."""
    home.mkdir()
    (home / f".mixwright-{TOKEN}").mkdir()
    (home / f".mixwright-{TOKEN}" / "mine").write_text("mine")
    target, end = home / "mix.wav", time.monotonic() + 2.0

    def begun(until: float) -> int:
        child = os.fork()
        if child:
            return child
        try:
            number = 0
            while time.monotonic() < until:
                write_over(target, number := number + 1)
            os._exit(0)
        except Exception as error:  # noqa: BLE001 - told to who began it
            print(repr(error), file=sys.stderr, flush=True)
        finally:
            os._exit(1)

    steady, others = begun(end), [begun(end + 60) for _ in range(3)]
    kills = 0
    while time.monotonic() < end - 0.05:
        time.sleep(0.004)
        child = others.pop(0)
        os.kill(child, signal.SIGKILL)
        assert os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == -signal.SIGKILL
        assert target.read_text().endswith("end")
        kills += 1
        others.append(begun(end + 60))
    for child in others:
        os.kill(child, signal.SIGKILL)
        assert os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == -signal.SIGKILL
    assert os.waitstatus_to_exitcode(os.waitpid(steady, 0)[1]) == 0
    write_over(target, 1)
    assert names(home) == [f".mixwright-{TOKEN}", f".mixwright-{TOKEN}/mine", "mix.wav"]
    print(kills)


@needs_fork
def test_writers_that_are_killed_harm_no_other_and_leave_nothing(tmp_path: Path) -> None:
    # In a process of its own: forking is safe only where there are no threads.
    code = (
        "from test_claims import *; die_at_every_change(Path('every')); write_at_once(Path('once'))"
    )
    options: dict[str, Any] = {"capture_output": True, "text": True, "timeout": 60}
    options["env"] = {**os.environ, "PYTHONPATH": os.pathsep.join([str(HERE), *sys.path])}
    done = subprocess.run([sys.executable, "-c", code], cwd=tmp_path, **options)
    assert done.returncode == 0, done.stderr
    points, kills = map(int, done.stdout.split())
    assert points > 5
    assert kills > 20
