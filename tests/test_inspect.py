"""``mixwright inspect``: folders and sheets, findings with their mends, clean material left alone.

The detectors have tests of their own; here they meet files, sheets and the command line.
"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray

import mixwright
from conftest import RATE_HZ, SongMaker
from mixwright.cli import run
from mixwright.problem import ProblemError


def hits(seed: int, seconds: float = 12.0) -> NDArray[np.float64]:
    """Short bursts at odd times, as a drum would play them."""
    random = np.random.default_rng(seed)
    out = np.zeros(round(seconds * RATE_HZ))
    for at in np.cumsum(random.uniform(0.3, 0.7, 20)) * RATE_HZ:
        start = int(at)
        if start + 4800 < len(out):
            decay = np.exp(-np.arange(4800) / 900.0)
            out[start : start + 4800] += random.standard_normal(4800) * decay * 0.2
    return out


def faulty(folder: Path) -> None:
    """A folder with a clipped, a humming, a late and a reversed file among sound ones."""
    folder.mkdir(parents=True, exist_ok=True)
    random = np.random.default_rng(1)
    time_s = np.arange(12 * RATE_HZ) / RATE_HZ
    snare = hits(2)
    low = np.convolve(hits(3), np.ones(48) / 8.0, "same")
    loud = np.clip(low * 8.0, -0.9, 0.9)
    hum = sum(0.003 / k * np.sin(2 * np.pi * 50 * k * time_s) for k in (1, 2, 3))
    files = {
        "snare_top": snare,
        "snare_bottom": -0.7 * snare + random.standard_normal(len(snare)) * 1e-4,
        "tom": loud,
        "guitar": hits(5) + hum,
        "shaker": hits(6),
    }
    for name, samples in files.items():
        soundfile.write(folder / f"{name}.wav", samples, RATE_HZ, subtype="PCM_24")


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("intake")
    faulty(made / "stems")
    return made


def test_a_folder_is_listed_with_what_is_wrong(folder: Path) -> None:
    inspected = mixwright.inspect(folder / "stems")
    assert [stem.name for stem in inspected.stems] == sorted(stem.name for stem in inspected.stems)
    found = {(finding.track, finding.kind): finding for finding in inspected.findings}
    assert set(found) == {
        ("tom.wav", "clipped"),
        ("guitar.wav", "hum"),
        ("snare_bottom.wav", "polarity"),
    }
    assert found["snare_bottom.wav", "polarity"].fix == "polarity: invert"
    assert "{type: notch, freq_hz: 50" in (found["guitar.wav", "hum"].fix or "")
    severities = [finding.severity for finding in inspected.findings]
    assert severities == sorted(severities, key=("fault", "look", "note").index)


def test_what_the_sheet_takes_care_of_is_a_note(folder: Path) -> None:
    path = folder / "mix.yaml"
    path.write_text(
        "format: 1\nsong: {title: T, sample_rate_hz: 48000}\ntracks:\n"
        "  snare_top: {file: stems/snare_top.wav}\n"
        "  snare_bottom: {file: stems/snare_bottom.wav, polarity: invert}\n"
        "  guitar: {file: stems/guitar.wav, eq: [{type: notch, freq_hz: 50}]}\n",
        "utf-8",
    )
    inspected = mixwright.inspect(path)
    assert [(f.track, f.kind, f.severity) for f in inspected.findings] == [
        ("guitar", "hum", "note")
    ]
    assert "takes care of it" in inspected.findings[0].message


def test_the_suggested_lines_can_be_put_into_a_sheet(folder: Path) -> None:
    import yaml

    for finding in mixwright.inspect(folder / "stems").findings:
        for line in (finding.fix or "").splitlines():
            assert isinstance(yaml.safe_load(line), dict)


def test_the_command(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["inspect", str(folder / "stems")]) == 0
    out = capsys.readouterr().out
    assert "tom.wav" in out
    assert "polarity: invert" in out
    assert run(["inspect", str(folder / "stems"), "--strict", "--json"]) == 1
    data = json.loads(capsys.readouterr().out)
    assert len(data["tracks"]) == 5
    assert {finding["kind"] for finding in data["findings"]} == {"clipped", "hum", "polarity"}


def test_clean_tracks_raise_nothing(
    make_song: SongMaker, capsys: pytest.CaptureFixture[str]
) -> None:
    path = make_song({"a": (hits(11)[:, None], ""), "b": (hits(12)[:, None], "")})
    assert mixwright.inspect(path).findings == ()
    assert run(["inspect", str(path), "--strict"]) == 0
    assert "nothing found" in capsys.readouterr().out


def test_what_can_t_be_inspected_is_said(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["inspect", str(tmp_path)]) == 2
    assert "holds no sound files" in capsys.readouterr().err
    assert run(["inspect", str(tmp_path / "none")]) == 2
    assert "there is no folder" in capsys.readouterr().err
    (tmp_path / "bad.wav").write_bytes(b"RIFFnothing")
    with pytest.raises(ProblemError, match=r"bad.wav"):
        mixwright.inspect(tmp_path)
    soundfile.write(tmp_path / "good.wav", np.zeros((100, 1)), RATE_HZ)
    (tmp_path / "._good.wav").write_bytes(b"a companion file")
    (finding,) = mixwright.inspect(tmp_path).findings
    assert (finding.track, finding.kind, finding.severity) == ("bad.wav", "unreadable", "fault")


def test_a_file_that_breaks_as_it_is_played_is_a_fault_of_its_own(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    broken = np.zeros((100, 1))
    broken[40] = np.nan
    soundfile.write(tmp_path / "broken.wav", broken, RATE_HZ, subtype="FLOAT")
    with pytest.raises(ProblemError, match=r"broken.wav holds a NaN"):
        mixwright.inspect(tmp_path)
    soundfile.write(tmp_path / "good.wav", np.zeros((100, 1)), RATE_HZ)
    inspected = mixwright.inspect(tmp_path)
    assert [stem.name for stem in inspected.stems] == ["good.wav"]
    (finding,) = inspected.findings
    assert (finding.track, finding.kind, finding.severity) == ("broken.wav", "unreadable", "fault")
    assert run(["inspect", str(tmp_path), "--strict"]) == 1
    assert "holds a NaN or infinity at sample 40" in capsys.readouterr().out
