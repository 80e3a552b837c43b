"""A delivery held to its manifest: hashes, files made again, the command."""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray

import mixwright
from conftest import RATE_HZ, noise
from mixwright.cli.verify import command
from mixwright.delivering.commit import write_manifest
from mixwright.delivering.hashes import sha256_of
from mixwright.delivering.manifest import (
    FormerEntry,
    InputEntry,
    MadeWith,
    Manifest,
    SheetEntry,
    this_platform,
    this_tool,
)
from mixwright.delivering.verify import Remade, Verified, limit_of, null_test, verify_manifest
from mixwright.problem import Fault, ProblemError
from mixwright.report.verified import remade_words, verdict, verified_as_data
from test_manifest import OUTPUT, WHOLE

SOUND = noise(1, 0.1, 2)


def sound(path: Path, samples: NDArray[np.float64] = SOUND, subtype: str = "PCM_24") -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    soundfile.write(path, samples, RATE_HZ, subtype=subtype)
    return path


@pytest.fixture
def song(tmp_path: Path) -> Path:
    """A song's folder with a sheet, a stem, and two files delivered to ``out``."""
    (tmp_path / "mix.yaml").write_text("format: 1\n")
    sheet = sha256_of(tmp_path / "mix.yaml")
    stem = sound(tmp_path / "stems" / "bass.wav")
    out = tmp_path / "out"
    outputs = tuple(
        replace(
            OUTPUT,
            file=file,
            sha256=sha256_of(sound(out / file, SOUND * gain)),
            sheet_sha256=sheet,
        )
        for file, gain in (("main.wav", 1.0), ("parts/bass.wav", 0.5))
    )
    inputs = (InputEntry("stems/bass.wav", sha256_of(stem), 1, RATE_HZ, 2, 4800),)
    made = Manifest(
        WHOLE.song,
        SheetEntry("../mix.yaml", sheet),
        this_tool(),
        this_platform(),
        inputs,
        outputs,
    )
    write_manifest(out, made)
    return tmp_path


def states(verified: Verified) -> dict[str, str]:
    return {held.file: held.state for held in verified.files}


ALL_SAME = dict.fromkeys(("../mix.yaml", "stems/bass.wav", "main.wav", "parts/bass.wav"), "same")


def test_a_delivery_as_it_was_made_holds(song: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    verified = verify_manifest(song / "out")
    assert states(verified) == ALL_SAME
    assert (verified.holds, verified.outputs_hold, verified.notes) == (True, True, ())
    assert verdict(verified) == "holds: all 4 files are as listed"
    monkeypatch.chdir(song / "out")
    assert verify_manifest("manifest.json").holds
    assert verify_manifest(".").holds
    moved = song.parent / f"{song.name} moved"
    shutil.copytree(song, moved)
    assert verify_manifest(moved / "out").holds


@pytest.mark.parametrize("part", ["mix.yaml", "stems/bass.wav", "out/main.wav"])
def test_what_is_changed_or_missing_is_named(part: str, song: Path) -> None:
    listed = {"mix.yaml": "../mix.yaml", "out/main.wav": "main.wav"}.get(part, part)
    raw = bytearray((song / part).read_bytes())
    raw[-1] ^= 1
    (song / part).write_bytes(raw)
    verified = verify_manifest(song / "out")
    assert states(verified) == {**ALL_SAME, listed: "changed"}
    assert not verified.holds
    assert verified.outputs_hold == (not part.startswith("out/"))
    (song / part).unlink()
    verified = verify_manifest(song / "out")
    assert states(verified) == {**ALL_SAME, listed: "missing"}
    assert "does not hold: of 4 files 1 missing" in verdict(verified)
    (song / part).mkdir()
    assert states(verify_manifest(song / "out")) == {**ALL_SAME, listed: "missing"}


def changed(song: Path, **changes: Any) -> Manifest:
    manifest = replace(verify_manifest(song / "out").manifest, **changes)
    write_manifest(song / "out", manifest)
    return manifest


def test_an_interrupted_delivery_says_so(song: Path) -> None:
    was = verify_manifest(song / "out").manifest.outputs
    come = tuple(replace(entry, sha256="0" * 64) for entry in was)
    former = (FormerEntry(was[1].file, was[1].sha256),)
    changed(song, outputs=come, replacing=was[:1], former=former, staged=".mixwright-deliver-a")
    verified = verify_manifest(song / "out")
    before = {"main.wav": "from before", "parts/bass.wav": "from before"}
    assert states(verified) == ALL_SAME | before
    assert "the last delivery was interrupted" in verified.notes[0]
    assert "help: deliver again" in verdict(verified)


def test_another_version_or_machine_is_noted(song: Path) -> None:
    here = this_tool()
    libraries = {**here.libraries, "numpy": "1.0"}
    made_by = replace(here, mixwright="0.0.1", libraries=libraries)
    changed(song, made_by=made_by, platform=replace(this_platform(), machine="abacus"))
    notes = "\n".join(verify_manifest(song / "out").notes)
    assert f"made with mixwright 0.0.1, here is {here.mixwright}" in notes
    assert "made with machine abacus, here is" in notes
    assert f"made with numpy 1.0, here is {here.libraries['numpy']}" in notes
    assert notes.count("\n") == 2
    assert verify_manifest(song / "out").holds


def test_a_manifest_that_does_not_say_is_told_as_such(song: Path) -> None:
    here = this_tool()
    libraries = {name: v for name, v in here.libraries.items() if name != "llvmlite"}
    there = replace(this_platform(), processor=None, instructions=None)
    changed(song, made_by=replace(here, libraries={**libraries, "lutenist": "1.0"}), platform=there)
    verified = verify_manifest(song / "out")
    assert verified.notes == (
        f"the manifest names no processor, here is {this_platform().processor}",
        f"the manifest names no instructions, here is {this_platform().instructions}",
        f"the manifest names no llvmlite, here is {here.libraries['llvmlite']}",
        "made with lutenist 1.0, which isn't here",
    )
    data = verified_as_data(verified)
    assert data["strangers"][2] == {
        "part": "library",
        "name": "llvmlite",
        "then": None,
        "here": here.libraries["llvmlite"],
        "files": None,
    }


def test_another_processor_is_told_by_what_it_lacks(song: Path) -> None:
    here = this_platform()
    assert here.instructions is not None
    rest = here.instructions.split()[1:]
    changed(song, platform=replace(here, processor="cedar", instructions=" ".join(["zz9", *rest])))
    first, second = verify_manifest(song / "out").notes
    assert first == f"made with processor cedar, here is {here.processor}"
    assert second.startswith("made for the instructions zz9, which are not used here; here ")


def test_a_file_kept_from_an_earlier_version_is_told_apart(song: Path) -> None:
    first, second = verify_manifest(song / "out").manifest.outputs
    earlier = MadeWith(replace(this_tool(), mixwright="0.0.1"), this_platform())
    changed(song, outputs=(replace(first, made_with=earlier), second))
    (note,) = verify_manifest(song / "out").notes
    assert note == f"1 file was made with mixwright 0.0.1, here is {this_tool().mixwright}"


def test_a_file_that_can_not_be_read_is_the_machines_fault(
    song: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(path: Path) -> str:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr("mixwright.delivering.hashes.sha256_of", refuse)
    with pytest.raises(ProblemError, match="can't be read: Permission denied") as caught:
        verify_manifest(song / "out")
    assert caught.value.problems[0].fault is Fault.MACHINE


# Made again.


def again(song: Path, change: Callable[[Path], object] = lambda _: None) -> Verified:
    """Verify with a rerender that copies what was delivered, then changes something."""
    made: list[Path] = []

    def rerender(folder: Path) -> Manifest:
        made.append(folder)
        assert folder.parent == song / "out", "beside what it is compared with"
        for file in ("main.wav", "parts/bass.wav"):
            (folder / file).parent.mkdir(exist_ok=True)
            shutil.copy(song / "out" / file, folder / file)
        change(folder)
        return verify_manifest(song / "out").manifest

    verified = verify_manifest(song / "out", rerender)
    assert not any(folder.exists() for folder in made)
    return verified


def remade(verified: Verified, file: str = "main.wav") -> Remade | None:
    return next(held.remade for held in verified.files if held.file == file)


def test_other_bits_are_told_with_what_may_be_why(song: Path) -> None:
    def louder(folder: Path) -> None:
        sound(folder / "main.wav", SOUND * 0.9)

    (note,) = again(song, louder).notes
    assert note == (
        "other bits in 1 of 2 files made again, the largest difference of samples is -28.1 dBFS "
        "(main.wav); versions, libraries and processor are the same, so something else is why"
    )
    libraries = {**this_tool().libraries, "numpy": "1.0"}
    there = replace(this_platform(), processor="cedar")
    changed(song, made_by=replace(this_tool(), libraries=libraries), platform=there)
    assert again(song, louder).notes[-1].endswith("another one here than then: processor, numpy")
    assert len(again(song).notes) == 2, "the same bits need no reason"


def test_the_same_bits_again(song: Path) -> None:
    verified = again(song)
    assert remade(verified) == remade(verified, "parts/bass.wav") == Remade(True, True)
    assert verified.holds
    assert verdict(verified) == "holds: all 4 files are as listed and came out the same again"


def test_the_same_samples_with_other_words_around_them(song: Path) -> None:
    def rename(folder: Path) -> None:
        with soundfile.SoundFile(folder / "main.wav", "r+") as file:
            file.comment = "another"
        assert sha256_of(folder / "main.wav") != sha256_of(song / "out" / "main.wav")

    verified = again(song, rename)
    found = remade(verified)
    assert found is not None
    assert (found.same_bits, found.holds, found.null_dbfs) == (False, True, None)
    assert remade_words(found) == "same samples"
    assert verified.holds


@pytest.mark.parametrize(
    ("subtype", "shaped", "off", "holds"),
    [
        ("FLOAT", False, 0.9e-6, True),
        ("FLOAT", False, 1.1e-6, False),
        ("DOUBLE", False, 1.1e-6, False),
        ("PCM_16", False, 2 / 2**15, True),
        ("PCM_16", False, 3 / 2**15, False),
        ("PCM_24", False, 2 / 2**23, True),
        ("PCM_24", False, 3 / 2**23, False),
        ("PCM_24", True, 16 / 2**23, True),
        ("PCM_24", True, 17 / 2**23, False),
    ],
)
def test_how_much_may_be_left_by_kind(
    subtype: str, shaped: bool, off: float, holds: bool, tmp_path: Path
) -> None:
    steps = 2.0 ** {"PCM_16": 15, "PCM_24": 23}.get(subtype, 20)
    samples = np.round(noise(2, 3.0, 2) * steps) / steps  # longer than one block
    samples[-5, 1] = 0.0  # where float32 has digits to spare
    other = samples.copy()
    other[-5, 1] = off
    one = sound(tmp_path / "one.wav", samples, subtype)
    found = null_test(one, sound(tmp_path / "other.wav", other, subtype), shaped)
    assert found.holds == holds
    # Against NumPy on the whole files at once.
    a, b = (soundfile.read(tmp_path / f"{name}.wav")[0] for name in ("one", "other"))
    assert found.null_dbfs == pytest.approx(20 * np.log10(np.abs(a - b).max()), abs=1e-9)
    assert found.null_dbfs == pytest.approx(20 * np.log10(off), abs=0.01)


def test_lossy_files_are_held_to_a_limit_of_their_own(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "one.ogg", SOUND, RATE_HZ, format="OGG", subtype="VORBIS")
    decoded, _ = soundfile.read(tmp_path / "one.ogg")
    for off, holds in ((0.0009, True), (0.0011, False)):
        other = sound(tmp_path / "other.wav", decoded + off, "DOUBLE")
        found = null_test(tmp_path / "one.ogg", other)
        assert (found.holds, found.limit_dbfs) == (holds, pytest.approx(-60.0))
    assert limit_of("OPUS") == limit_of("MPEG_LAYER_III") == limit_of("VORBIS")


def test_shaped_dither_needs_its_limit(tmp_path: Path) -> None:
    """One step that differs changes all shaped noise after it: measured with our own dither."""
    from mixwright.dsp.dither import Quantiser

    near = SOUND + 1e-8 * noise(3, 0.1, 2)
    for shaped, least, most in ((False, 1, 2), (True, 3, 16)):
        paths = []
        for name, samples in (("one", SOUND), ("other", near)):
            whole = Quantiser(24, 7, shaped, RATE_HZ).quantise(samples)
            paths.append(tmp_path / f"{name}.wav")
            soundfile.write(paths[-1], whole, RATE_HZ, subtype="PCM_24")
        found = null_test(paths[0], paths[1], shaped)
        assert found.null_dbfs is not None
        assert least <= round(10 ** (found.null_dbfs / 20) * 2**23) <= most
        assert found.holds


@pytest.mark.parametrize(
    ("write", "words"),
    [
        (lambda path: sound(path, SOUND[:-1]), "4799 frames, not 4800"),
        (lambda path: sound(path, SOUND[:, :1]), "1 channels, not 2"),
        (lambda path: soundfile.write(path, SOUND, 44100), "44100 Hz, not 48000"),
        (lambda path: path.write_bytes(b"no sound"), "can't be compared: "),
        (lambda path: path.unlink(), "not made again"),
        (lambda path: sound(path, SOUND * 0.9), "dBFS, expected -132.5 at most"),
    ],
)
def test_what_did_not_come_out_the_same(
    write: Callable[[Path], object], words: str, song: Path
) -> None:
    verified = again(song, lambda folder: write(folder / "main.wav"))
    found = remade(verified)
    assert found is not None
    assert not found.holds
    assert words in remade_words(found)
    assert not verified.holds
    assert verdict(verified).startswith("does not hold: of 4 files 1 came out otherwise")


def test_what_is_no_number_never_cancels(tmp_path: Path) -> None:
    bad = SOUND.copy()
    bad[7] = np.nan
    one, other = (sound(tmp_path / f"{n}.wav", bad, "FLOAT") for n in ("one", "other"))
    found = null_test(one, other)
    assert not found.holds
    assert "holds a NaN or infinity at sample 7" in remade_words(found)


def test_a_changed_output_is_made_again_all_the_same(song: Path) -> None:
    kept = (song / "out" / "main.wav").read_bytes()
    sound(song / "out" / "main.wav", SOUND * 0.9)
    listed_again = again(song, lambda folder: (folder / "main.wav").write_bytes(kept))
    assert remade(listed_again) == Remade(True, True)
    assert not listed_again.holds, "what lies there is still another one"
    other = remade(again(song))
    assert other is not None
    assert "nothing as listed to compare with" in remade_words(other)


def test_a_rerender_that_lists_nothing(song: Path) -> None:
    for rerender in (lambda _: None, lambda _: changed(song, outputs=()) and None):
        files = verify_manifest(song / "out", rerender).files
        assert {held.remade and held.remade.words for held in files[2:]} == {"not made again"}


def test_a_rerender_may_leave_its_manifest_in_the_folder(song: Path) -> None:
    def rerender(folder: Path) -> None:
        shutil.copytree(song / "out", folder, dirs_exist_ok=True, ignore=lambda *_: [folder.name])

    assert verify_manifest(song / "out", rerender).holds


def test_nothing_is_made_again_from_other_sources(song: Path) -> None:
    (song / "mix.yaml").write_text("format: 1 # changed\n")
    verified = again(song, lambda _: pytest.fail("made again"))
    assert remade(verified) is None
    assert "nothing was made again" in verified.notes[0]


def test_nothing_is_left_behind(song: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    before = sorted((song / "out").rglob("*"))

    def fail(folder: Path) -> Manifest:
        (folder / "half.wav").write_bytes(b"half")
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        verify_manifest(song / "out", fail)
    assert sorted((song / "out").rglob("*")) == before

    def refuse(*_: Any, **__: Any) -> None:
        raise OSError(30, "Read-only file system")

    monkeypatch.setattr(os, "mkdir", refuse)
    with pytest.raises(ProblemError, match=r"nothing can be made again in .*: Read-only") as caught:
        verify_manifest(song / "out", fail)
    assert caught.value.problems[0].fault is Fault.MACHINE


# The command.


def run(capsys: pytest.CaptureFixture[str], *arguments: str | Path) -> tuple[Any, str]:
    status = command.main([str(a) for a in arguments], standalone_mode=False)
    return status, capsys.readouterr().out


@pytest.fixture
def asked(monkeypatch: pytest.MonkeyPatch) -> list[dict[str, Any]]:
    """What the command asks of `mixwright.verify`, which does without a rerender here."""
    calls: list[dict[str, Any]] = []

    def verify(manifest: str, **options: Any) -> Verified:
        calls.append(options)
        return verify_manifest(manifest)

    monkeypatch.setattr(mixwright, "verify", verify, raising=False)
    return calls


def test_the_command_prints_every_file_and_a_verdict(
    song: Path, asked: list[dict[str, Any]], capsys: pytest.CaptureFixture[str]
) -> None:
    status, out = run(capsys, song / "out", "--all")
    assert status == 0
    lines = out.splitlines()
    assert lines[0] == str(song / "out" / "manifest.json")
    assert lines[-1] == "holds: all 4 files are as listed"
    assert lines[2:6] == [
        "  same         sheet   ../mix.yaml",
        "  same         input   stems/bass.wav",
        "  same         output  main.wav",
        "  same         output  parts/bass.wav",
    ]
    (song / "out" / "main.wav").unlink()
    status, out = run(capsys, song / "out", "--rerender", "--threads", "1")
    assert status == 1
    # What isn't as listed stands alone.
    assert out.splitlines()[2:4] == [
        "  missing      output  main.wav",
        "  3 files as listed (--all shows them)",
    ]
    assert [(call["rerender"], call["threads"]) for call in asked] == [(False, None), (True, 1)]


def test_the_command_as_json(
    song: Path, asked: list[dict[str, Any]], capsys: pytest.CaptureFixture[str]
) -> None:
    (song / "stems" / "bass.wav").unlink()
    status, out = run(capsys, song / "out" / "manifest.json", "--json")
    data = json.loads(out)
    assert (status, data["holds"], data["outputs_hold"]) == (1, False, True)
    assert data["files"][1] == {
        "part": "input",
        "file": "stems/bass.wav",
        "state": "missing",
        "remade": None,
        "holds": False,
    }
    status, out = run(capsys, song, "--json")
    assert status == 2
    assert json.loads(out)["problems"][0]["rule"] == "manifest/missing"


def test_what_came_out_again_is_said_beside_the_file(
    song: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    from mixwright.report.verified import print_verified

    verified = again(song, lambda folder: sound(folder / "main.wav", SOUND * 0.9))
    print_verified(verified, show_all=True)
    out = capsys.readouterr().out
    assert "main.wav  (null at -28.1 dBFS, expected -132.5 at most)" in out
    assert "parts/bass.wav  (same bits)" in out
    data = verified_as_data(again(song))
    assert data["files"][2]["remade"]["same_bits"] is True
    json.dumps(data, allow_nan=False)
