"""The example song: made, validated, rendered; it sounds and measures like a mix."""

from __future__ import annotations

import errno
import json
from pathlib import Path

import pytest

import mixwright
from mixwright.cli.demo import write_example
from mixwright.problem import ProblemError
from mixwright.rendering import Readings
from mixwright.sheet import STEPS, Sheet


@pytest.fixture(scope="module")
def example(example_home: Path) -> Path:
    return example_home / "demo" / "mix.yaml"


@pytest.fixture(scope="module")
def sheet(example: Path) -> Sheet:
    return mixwright.load(example)


def test_it_is_a_whole_song(sheet: Sheet) -> None:
    assert len(sheet.tracks) >= 12
    assert 60 <= mixwright.plan(sheet).end / sheet.song.sample_rate_hz <= 90
    assert len(sheet.returns) == 4


def test_it_uses_every_part_of_the_format(example: Path) -> None:
    from mixwright.sheet import load_text
    from mixwright.sheet.tree import read_tree

    def keys_in(value: object, path: str = "") -> set[str]:
        if isinstance(value, dict):
            return {k for key, item in value.items() for k in {str(key), *keys_in(item)}}
        if isinstance(value, list):
            return {k for item in value for k in keys_in(item)}
        return set()

    used = keys_in(read_tree(load_text(example)).value)
    schema = json.loads(
        (Path(__file__).resolve().parents[1] / "schemas/mix-sheet.schema.json").read_text("utf-8")
    )

    def declared(node: object) -> set[str]:
        if isinstance(node, list):
            return {k for item in node for k in declared(item)}
        if not isinstance(node, dict):
            return set()
        own = set(node.get("properties", {}))
        return own | {k for item in node.values() for k in declared(item)}

    # Seeds, tempo-independent positions and the like are alternatives to what the song uses.
    left_out = {"s", "seed", "over_ms", "for_ms", "spread_ms", "sum", "split_by"}
    # A recorded room and a third-party plug-in can't be made by code, and a limiter is for
    # deliveries at a given loudness, not for this mix.
    left_out |= {"impulse", "pre_delay_note", "plugin", "parameters", "limiter", "ceiling_dbtp"}
    # Limits are there for songs that need others than usual, a target where a delivery has one.
    left_out |= set(schema["properties"]["limits"]["properties"])
    left_out |= {"delivery", "standard", "integrated_lufs", "tolerance_lu", "true_peak_dbtp"}
    left_out.add("limits")
    bands_hz = {key for key in declared(schema) if key.isdigit()}
    assert declared(schema) - used - left_out - bands_hz == set()


def test_every_move_has_a_reason(sheet: Sheet) -> None:
    for track in (*sheet.tracks, *sheet.groups, sheet.mix_bus):
        assert all(band.why for band in track.eq)
        assert track.compressor is None or track.compressor.why


def test_it_measures_like_a_mix(sheet: Sheet, example_readings: dict[str, Readings]) -> None:
    balance, whole = (example_readings[step] for step in ("balance", "automation"))
    # Balance: headroom of the loudest part, -3 dBFS at most, -6 aimed at (common practice).
    assert -9.0 < balance.mix.true_peak_dbtp <= -3.0
    assert balance.loudest_section == sheet.song.loudest_section == whole.loudest_section
    assert whole.mix.true_peak_dbtp < -1.0
    # Bus compressor: 1 to 3 dB in the loudest part (common practice).
    assert 1.0 <= whole.reductions["mix_bus.compressor"].max_db <= 3.5
    heard = {track.name for track in sheet.tracks if not track.mute}
    assert all(t.integrated_lufs > -60 for t in whole.tracks if t.name in heard)


def test_steps_build_on_one_another(sheet: Sheet) -> None:
    plans = [mixwright.plan(sheet, through=step) for step in STEPS]
    assert len({repr(plan) for plan in plans}) == len(STEPS)
    with pytest.raises(ProblemError, match=r"unknown step 'ballance'.*balance"):
        mixwright.plan(sheet, through="ballance")  # type: ignore[arg-type]


def test_what_has_been_changed_is_kept(example: Path, tmp_path: Path) -> None:
    (tmp_path / "stems").mkdir()
    (tmp_path / "mix.yaml").write_text("format: 1\n", "utf-8")
    write_example(tmp_path, force=False)
    assert (tmp_path / "mix.yaml").read_text("utf-8") == "format: 1\n"
    assert list((tmp_path / "stems").iterdir()) == []
    write_example(tmp_path, force=True)
    assert (tmp_path / "mix.yaml").read_text("utf-8") == example.read_text("utf-8")


class _FewStems:
    """Makes next to nothing, where the example's own maker takes a while."""

    def write_stems(self, folder: Path) -> None:
        for name in ("stems/kick.wav", "references/radio.wav"):
            (folder / name).parent.mkdir()
            (folder / name).write_text("made")


def test_an_example_that_was_cut_off_is_finished(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("mixwright.cli.demo._generator", lambda _: _FewStems())
    (tmp_path / "references").mkdir()  # so far it had come, and someone put a file there
    (tmp_path / "references" / "mine.wav").write_text("mine")
    (tmp_path / ".stems-part").mkdir()
    write_example(tmp_path, force=False)
    found = sorted(p.relative_to(tmp_path).as_posix() for p in tmp_path.rglob("*") if p.is_file())
    assert found == ["mix.yaml", "references/mine.wav", "references/radio.wav", "stems/kick.wav"]
    assert (tmp_path / ".stems-part").is_dir()  # it may be the user's


def test_the_example_s_sheet_is_written_whole_or_not_at_all(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "mix.yaml").write_text("format: 1\n", "utf-8")
    (tmp_path / "stems").mkdir()

    def refuse(path: Path, text: str, encoding: str) -> int:
        path.write_bytes(text[:100].encode())
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(Path, "write_text", refuse)
    with pytest.raises(ProblemError, match="No space left"):
        write_example(tmp_path, force=True)
    assert (tmp_path / "mix.yaml").read_bytes() == b"format: 1\n"
    assert sorted(path.name for path in tmp_path.iterdir()) == ["mix.yaml", "stems"]
