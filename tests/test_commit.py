"""Nothing is lost: a delivery is cut off before every change to the disk, at random, and where the
disk refuses."""

from __future__ import annotations

import errno
import hashlib
import json
import os
import random
import shutil
import signal
import stat
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

import pytest

from cut_off import cut_off
from fuzzing.nursery import in_nursery
from mixwright.audio.staged import told_as_problem
from mixwright.delivering import commit as committing
from mixwright.delivering.commit import commit, locked, recover, retire, staging, write_manifest
from mixwright.delivering.manifest import FormerEntry, Manifest, OutputEntry, read_manifest
from mixwright.problem import Fault, ProblemError
from test_manifest import OUTPUT, WHOLE
from warm_command import needs_fork

EMPTY = replace(WHOLE, outputs=(), former=(), replacing=(), staged=None)
FILES = ("main.wav", "stems/bass.wav", "stems/more/keys.wav")
CHANGED = (*FILES[1:], "back.wav", "new/new.wav")


def content(file: str, number: int) -> bytes:
    """What a file of the delivery of that number holds."""
    return f"{file} of {number}\n".encode() * 200 + b"end"


def entry(file: str, number: int) -> OutputEntry:
    sha256 = hashlib.sha256(content(file, number)).hexdigest()
    return replace(OUTPUT, file=file, sha256=sha256, variant=f"take {number}")


def deliver(folder: Path, number: int, files: Sequence[str] = FILES) -> Manifest:
    with locked(folder):
        manifest = recover(folder) or EMPTY
        with staging(folder) as staged:
            with told_as_problem(folder):
                for file in files:
                    (staged / file).parent.mkdir(parents=True, exist_ok=True)
                    (staged / file).write_bytes(content(file, number))
            return commit(folder, manifest, staged, [entry(file, number) for file in files])


def recovered(folder: Path) -> Manifest | None:
    with locked(folder):
        return recover(folder)


def lying(folder: Path) -> dict[str, str]:
    """Every file under a name that a user looks at, with its hash."""
    found = {}
    for path in folder.rglob("*"):
        file = path.relative_to(folder).as_posix()
        if path.is_file() and not file.startswith(".") and file != "manifest.json":
            assert path.read_bytes().endswith(b"end"), f"{file} is cut short"
            found[file] = hashlib.sha256(path.read_bytes()).hexdigest()
    return found


def listed(folder: Path, *parts: str) -> set[tuple[str, str]]:
    """What the manifest lists, read without our own reader."""
    if not (folder / "manifest.json").exists():
        return set()
    data = json.loads((folder / "manifest.json").read_text("utf-8"))
    return {(entry["file"], entry["sha256"]) for part in parts for entry in data[part]}


def check_always(folder: Path) -> None:
    """What has to be true at any moment."""
    known = listed(folder, "outputs", "replacing", "former")
    assert set(lying(folder).items()) <= known, "a file isn't listed"


def check_settled(folder: Path) -> None:
    """What has to be true when no delivery is at work and none was cut off."""
    found = set(lying(folder).items())
    assert found == listed(folder, "outputs", "former")
    assert not listed(folder, "replacing")
    assert listed(folder, "outputs") <= found, "an output isn't there"
    assert not list(folder.glob(".*"))


def prepared(folder: Path) -> None:
    """A delivery, a file of a former variant, and two that will be written over: all listed."""
    deliver(folder, 1, (*FILES, "gone.wav", "back.wav"))
    manifest = retire(folder, read_manifest(folder), FILES)
    write_manifest(folder, manifest)


def die_at_every_change(home: Path) -> tuple[int, int]:
    """Cut a delivery off before each change to the disk, and its recovery before one of its.

    How many changes there are, and at how many of them something was under way.
    """
    dice, points, halfway, died = random.Random(4), 0, 0, True
    prepared(home / "before")
    before = lying(home / "before")
    while died:
        folder = home / f"at-{points}"
        shutil.copytree(home / "before", folder)
        died = cut_off(partial(deliver, folder, 2, CHANGED), points)
        check_always(folder)
        assert set(before) <= set(lying(folder)), "a file was lost"
        halfway += read_manifest(folder).staged is not None
        cut_off(partial(recovered, folder), dice.randrange(12))
        check_always(folder)
        recovered(folder)
        check_settled(folder)
        assert set(before) <= set(lying(folder)), "a file was lost"
        # All or nothing: of the new delivery each file has arrived, or none.
        new = {file: entry(file, 2).sha256 for file in CHANGED}
        arrived = {lying(folder).get(file) == sha256 for file, sha256 in new.items()}
        assert len(arrived) == 1
        points += 1
    assert arrived == {True}
    return points, halfway


def die_at_random(home: Path) -> None:
    """Kill a process that delivers over and over, thirty times, at any moment."""
    dice, folder = random.Random(7), home / "out"
    deliver(folder, 0)
    for round_ in range(30):
        child = os.fork()
        if not child:
            try:
                for number in range(10_000):
                    deliver(folder, 1000 * round_ + number)
            finally:
                os._exit(1)
        time.sleep(dice.uniform(0.001, 0.015))
        os.kill(child, signal.SIGKILL)
        assert os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == -signal.SIGKILL
        check_always(folder)
        manifest = recovered(folder)
        check_settled(folder)
        assert manifest is not None
        assert {e.file for e in manifest.outputs} == set(FILES)
        assert len({e.variant for e in manifest.outputs}) == 1, "half of one and half of another"


@pytest.fixture
def quick_home() -> Iterator[Path]:
    """A folder in memory where there is such a thing: on a disk each sync takes its time."""
    memory = Path("/dev/shm")
    with tempfile.TemporaryDirectory(dir=memory if memory.is_dir() else None) as name:
        yield Path(name)


@needs_fork
def test_a_delivery_that_dies_leaves_all_files_whole_and_listed(quick_home: Path) -> None:
    # In the warm process: forking is safe only where there are no threads.
    points, halfway = in_nursery(die_at_every_change, quick_home / "every")
    assert points > 25
    assert halfway > 8
    in_nursery(die_at_random, quick_home / "any")


@pytest.mark.parametrize(
    ("call", "lasting"),
    [
        ("replace", False),
        ("replace", True),
        ("fsync", False),
        ("fsync", True),
        ("mkdir", True),
        ("open", False),
        ("write", True),
    ],
)
def test_whatever_the_disk_refuses_nothing_is_lost(
    call: str, lasting: bool, quick_home: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    where = (committing, "open") if call == "write" else (os, call)
    real = open if call == "write" else getattr(os, call)
    prepared(quick_home / "before")
    before = lying(quick_home / "before")
    at, counted, folder = 0, 1, quick_home

    def refuse(*args: Any, **options: Any) -> Any:
        nonlocal counted
        counted += 1
        if counted == at or (lasting and counted > at):
            raise OSError(errno.ENOSPC, "No space left on device")
        return real(*args, **options)

    while counted >= at:
        at, counted, folder = at + 1, 0, quick_home / f"at-{at}"
        shutil.copytree(quick_home / "before", folder)
        old = (folder / "manifest.json").read_bytes()
        with monkeypatch.context() as patch:
            patch.setattr(*where, refuse, raising=False)
            said = told_of(partial(deliver, folder, 2, CHANGED))
        if said:
            assert "No space left" in said
        else:  # a refusal that doesn't matter, such as while debris is cleared
            assert {(file, entry(file, 2).sha256) for file in CHANGED} <= set(lying(folder).items())
        check_always(folder)
        assert set(before) <= set(lying(folder))
        if (folder / "manifest.json").read_bytes() == old:
            assert lying(folder) == before
            # A folder that can't be opened can't be cleared either.
            assert call == "open" or not list(folder.glob(".mixwright-deliver-*")), "debris"
        recover(folder)
        check_settled(folder)
    assert at > {"write": 2, "mkdir": 3, "open": 3}.get(call, 5)


def told_of(work: Callable[[], object]) -> str:
    """What a piece of work says when the machine refuses it; empty when it was done."""
    try:
        work()
    except ProblemError as error:
        machine = {problem.fault for problem in error.problems} == {Fault.MACHINE}
        return str(error) if machine and "nothing was" in str(error) else f"bad: {error}"
    return ""


def test_a_first_delivery_and_one_that_changes_nothing(tmp_path: Path) -> None:
    folder = tmp_path / "new" / "out"
    with locked(folder):
        assert recover(folder) is None
    first = deliver(folder, 1)
    assert read_manifest(folder) == replace(first, outputs=read_manifest(folder).outputs)
    assert lying(folder) == {file: entry(file, 1).sha256 for file in FILES}
    text = (folder / "manifest.json").read_bytes()
    deliver(folder, 1)
    assert (folder / "manifest.json").read_bytes() == text
    check_settled(folder)


def test_one_variant_leaves_the_entries_of_others_alone(tmp_path: Path) -> None:
    deliver(tmp_path, 1)
    deliver(tmp_path, 2, FILES[:1])
    variants = {e.file: e.variant for e in read_manifest(tmp_path).outputs}
    assert list(variants.values()) == ["take 2", "take 1", "take 1"]
    check_settled(tmp_path)


def interrupted(folder: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Deliver once, then again until the second file is to move; return the staging folder."""
    deliver(folder, 1)
    moves, move = [], committing._move

    def stop(staged: Path, target: Path) -> None:
        moves.append(target)
        if len(moves) == 2:
            raise KeyboardInterrupt
        move(staged, target)

    with monkeypatch.context() as patch:
        patch.setattr(committing, "_move", stop)
        with pytest.raises(KeyboardInterrupt):
            deliver(folder, 2)
    (staged,) = folder.glob(".mixwright-deliver-*")
    assert read_manifest(folder).staged == staged.name
    return staged


def test_what_is_still_staged_is_moved(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    interrupted(tmp_path, monkeypatch)
    check_always(tmp_path)
    recover(tmp_path)
    assert lying(tmp_path) == {file: entry(file, 2).sha256 for file in FILES}
    check_settled(tmp_path)


def test_without_its_staging_folder_what_lies_there_is_listed_as_it_was(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    staged = interrupted(tmp_path, monkeypatch)
    for path in staged.rglob("*.wav"):
        path.unlink()
    recovered = recover(tmp_path)
    assert recovered is not None
    assert recovered.outputs == (entry(FILES[0], 2), entry(FILES[1], 1), entry(FILES[2], 1))
    check_settled(tmp_path)


def test_a_staged_file_that_is_not_what_was_promised_stays_out(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    staged = interrupted(tmp_path, monkeypatch)
    (staged / FILES[1]).write_bytes(b"something else, end")
    recover(tmp_path)
    assert [lying(tmp_path)[file] for file in FILES] == [
        entry(file, number).sha256 for file, number in zip(FILES, (2, 1, 2), strict=True)
    ]
    check_settled(tmp_path)


def test_what_can_not_be_moved_is_made_again_another_time(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    interrupted(tmp_path, monkeypatch)
    (tmp_path / FILES[1]).unlink()
    (tmp_path / FILES[1]).mkdir()
    recovered = recover(tmp_path)
    assert recovered is not None
    assert {e.file for e in recovered.outputs} == {FILES[0], FILES[2]}
    check_settled(tmp_path)


def test_a_file_that_was_never_listed_is_while_it_is_written_over(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "stems").mkdir()
    for file in FILES[:2]:  # the user has forced it: `check_target` refuses it otherwise
        (tmp_path / file).write_bytes(b"mine, end")
    mine = hashlib.sha256(b"mine, end").hexdigest()
    moves: list[set[tuple[str, str]]] = []
    move = committing._move

    def watch(staged: Path, target: Path) -> None:
        moves.append(listed(tmp_path, "former"))
        check_always(tmp_path)
        move(staged, target)

    monkeypatch.setattr(committing, "_move", watch)
    deliver(tmp_path, 1)
    assert moves[0] == {(file, mine) for file in FILES[:2]}
    check_settled(tmp_path)


def test_files_that_the_sheet_no_longer_makes_stay_and_are_listed_as_former(
    tmp_path: Path,
) -> None:
    manifest = deliver(tmp_path, 1)
    manifest = retire(tmp_path, manifest, FILES[:1])
    assert [e.file for e in manifest.outputs] == [FILES[0]]
    assert manifest.former == tuple(
        FormerEntry(file, entry(file, 1).sha256, "take 1") for file in FILES[1:]
    )
    write_manifest(tmp_path, manifest)
    check_settled(tmp_path)
    (tmp_path / FILES[1]).unlink()
    assert [e.file for e in retire(tmp_path, manifest, FILES[:1]).former] == [FILES[2]]
    deliver(tmp_path, 2, FILES[1:])  # made again: no longer former
    assert read_manifest(tmp_path).former == ()
    check_settled(tmp_path)


def test_two_deliveries_do_not_share_a_folder(tmp_path: Path) -> None:
    with locked(tmp_path):
        with pytest.raises(ProblemError, match="another delivery is at work in") as caught:
            deliver(tmp_path, 1)
        assert caught.value.problems[0].fault is Fault.MACHINE
    deliver(tmp_path, 1)


def test_a_folder_that_can_not_be_written_to(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "file").write_text("no folder")
    with pytest.raises(ProblemError, match="file can't be written"), locked(tmp_path / "file"):
        pass

    def refuse(*args: Any, **options: Any) -> int:
        raise PermissionError(errno.EACCES, "Permission denied")

    monkeypatch.setattr(os, "open", refuse)
    with pytest.raises(ProblemError, match="can't be written: Permission denied") as caught:
        deliver(tmp_path, 1)
    assert caught.value.problems[0].fault is Fault.MACHINE


def test_a_manifest_of_someone_else_is_left_alone(tmp_path: Path) -> None:
    (tmp_path / "manifest.json").write_text('{"name": "another tool"}')
    with pytest.raises(ProblemError, match="is no manifest"):
        deliver(tmp_path, 1)
    assert (tmp_path / "manifest.json").read_text() == '{"name": "another tool"}'
    assert lying(tmp_path) == {}


def test_what_a_rename_promises_is_on_the_disk_before_it(
    quick_home: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Power may go as well: staged before listed, listed before moved, moved before unlisted."""
    steps: list[str] = []
    sync, rename = os.fsync, os.replace

    def synced(number: int) -> None:
        is_folder = stat.S_ISDIR(os.fstat(number).st_mode)
        if steps[-1:] != (step := ["sync folders" if is_folder else "sync file"]):
            steps.extend(step)
        sync(number)

    def renamed(source: Path, target: Path) -> None:
        kind = "list" if target.name == "manifest.json" else "move"
        steps.extend([kind] * (steps[-1:] != [kind]))
        rename(source, target)

    deliver(quick_home, 1)
    monkeypatch.setattr(os, "fsync", synced)
    monkeypatch.setattr(os, "replace", renamed)
    deliver(quick_home, 2)
    written = ["sync file", "list", "sync folders"]
    assert steps == ["sync folders", *written, "move", "sync folders", *written]
