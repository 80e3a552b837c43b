"""The laws that tortured commands are held to can fail: each is shown a command that breaks it."""

from __future__ import annotations

import errno
import hashlib
import json
import os
import random
from pathlib import Path

import pytest

from fuzzing.disk_gate import KILL, Call, Gate, is_there
from fuzzing.folder_watch import (
    debris,
    faults_of_end,
    faults_of_files,
    faults_of_manifest,
    faults_of_reason,
    faults_of_status,
    lying,
)
from fuzzing.forked import Done
from fuzzing.nursery import in_nursery
from fuzzing.small_song import new_song
from fuzzing.writing_jobs import JOBS, bench

needs_a_gate = pytest.mark.skipif(not is_there(), reason="system calls can't be held up here")


def done(status: int | None, err: str = "") -> Done:
    return Done(("render", "mix.yaml"), status, "", err, 0.1)


@pytest.mark.parametrize(
    ("one", "words"),
    [
        (done(None), "hangs"),
        (done(70, "a bug"), "wrong exit status, 70"),
        (done(-9), "wrong exit status, -9"),
        (done(3, "Traceback (most recent call last)"), "words from inside"),
        (done(2), "without a word"),
    ],
)
def test_how_a_command_ends(one: Done, words: str) -> None:
    (fault,) = faults_of_status(one)
    assert words in fault
    assert list(faults_of_status(done(3, "error: x.wav can't be written"))) == []


def test_a_refusal_is_told_with_its_reason_and_its_file() -> None:
    told = "error: out/mix.wav can't be written: No space left on device"
    assert list(faults_of_reason(done(3, told), errno.ENOSPC, ["mix.wav"])) == []
    (fault,) = faults_of_reason(done(3, told), errno.EIO, ["mix.wav"])
    assert "the reason EIO isn't told" in fault
    (fault,) = faults_of_reason(done(3, told), errno.ENOSPC, ["other.wav"])
    assert "the file isn't told" in fault


def test_files_are_the_old_or_the_new_ones() -> None:
    old, new = {"a": "1", "b": "1"}, {"a": "2", "b": "2", "c": "2"}
    assert list(faults_of_files({"a": "1", "b": "2", ".part": "x"}, old, new)) == []
    found = list(faults_of_files({"a": "3", "d": "1"}, old, new))
    assert found == ["a is neither the old nor the new one", "d is a stranger", "b is gone"]
    assert list(faults_of_end(new, new)) == []
    assert len(list(faults_of_end({"a": "1", "b": "2", "d": "2"}, new))) == 3


def test_a_manifest_is_true(tmp_path: Path) -> None:
    (tmp_path / "a.wav").write_bytes(b"a")
    entry = {"file": "a.wav", "sha256": hashlib.sha256(b"a").hexdigest()}
    missing = {"file": "b.wav", "sha256": "0"}
    manifest = tmp_path / "manifest.json"
    manifest.write_text(json.dumps({"outputs": [entry, missing]}))
    assert list(faults_of_manifest(tmp_path, lying(tmp_path), settled=False)) == []
    (fault,) = faults_of_manifest(tmp_path, lying(tmp_path), settled=True)
    assert "b.wav, which isn't there" in fault
    (tmp_path / "a.wav").write_bytes(b"b")
    (fault,) = faults_of_manifest(tmp_path, lying(tmp_path), settled=False)
    assert fault == "the manifest lists another a.wav"
    manifest.write_text("{")
    (fault,) = faults_of_manifest(tmp_path, lying(tmp_path), settled=False)
    assert "broken" in fault


def test_what_is_left_behind_is_seen(tmp_path: Path) -> None:
    (tmp_path / ".stray").mkdir()
    (tmp_path / ".mixwright-lock").touch()
    (tmp_path / ".mix.wav.part-1").touch()
    assert debris(tmp_path) == [".mix.wav.part-1", ".mixwright-lock", ".stray"]


def _careless_tidy(home: Path) -> set[str]:
    """What is found wrong with a ``tidy`` that writes in place, killed before each of its calls."""
    made = bench(home, new_song(random.Random(0)), JOBS["tidy"])

    def careless() -> None:
        from mixwright.sheet import tidy

        tidy.rewrite = lambda path, data: path.write_bytes(data)  # type: ignore[attr-defined]

    found = set()
    for at in (1, 2, 3):
        made.reset()
        killed = made.run(
            Gate(lambda call, at=at: KILL if call.count == at else 0), before=careless
        )
        assert (killed.status == -9) == (at < 3), killed.told
        found.update(faults_of_files(lying(made.home), made.old, made.new))
    return found


def _refused(home: Path) -> tuple[int | None, str, list[str]]:
    """A ``tidy`` whose first write the disk refuses, and the calls that it made."""
    made = bench(home, new_song(random.Random(0)), JOBS["tidy"])
    made.reset()

    def refuse(call: Call) -> int:
        return errno.EDQUOT if call.name == "write" else 0

    gate = Gate(refuse)
    told = made.run(gate)
    assert lying(made.home) == made.old
    return told.status, told.err, gate.calls


@needs_a_gate
def test_a_command_that_writes_in_place_is_caught(tmp_path: Path) -> None:
    assert in_nursery(_careless_tidy, tmp_path) == {"mix.yaml is neither the old nor the new one"}


@needs_a_gate
def test_the_gate_refuses_and_counts(tmp_path: Path) -> None:
    status, told, calls = in_nursery(_refused, tmp_path)
    assert status == 3
    assert os.strerror(errno.EDQUOT).lower() in told
    assert "write" in calls
    assert "openat" in calls
