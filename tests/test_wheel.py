"""The plain way to install: a wheel into a clean environment renders from there."""

from __future__ import annotations

import os
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

from conftest import SongMaker, noise

ROOT = Path(__file__).resolve().parents[1]


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("dist")
    command = [
        sys.executable,
        "-m",
        "build",
        "--wheel",
        "--no-isolation",
        "-o",
        str(folder),
        str(ROOT),
    ]
    subprocess.run(command, check=True, capture_output=True)
    (built,) = folder.glob("*.whl")
    return built


def test_the_wheel_holds_schema_and_example_but_no_sound(wheel: Path) -> None:
    names = zipfile.ZipFile(wheel).namelist()
    assert "mixwright/schemas/mix-sheet.schema.json" in names
    assert "mixwright/py.typed" in names  # types are for users too (PEP 561)
    assert "mixwright/projects/lanterns_at_low_tide/mix.yaml" in names
    assert "mixwright/projects/lanterns_at_low_tide/make_stems.py" in names
    assert not [name for name in names if name.endswith((".wav", ".flac"))]


def test_a_render_from_the_installed_wheel(
    wheel: Path, make_song: SongMaker, tmp_path: Path
) -> None:
    # A new environment that borrows this one's libraries but not our source tree.
    home = tmp_path / "env"
    subprocess.run([sys.executable, "-m", "venv", "--without-pip", str(home)], check=True)
    python = home / "bin" / "python"
    site = subprocess.run(
        [python, "-c", "import sysconfig; print(sysconfig.get_paths()['purelib'])"],
        check=True,
        capture_output=True,
        text=True,
    ).stdout.strip()
    zipfile.ZipFile(wheel).extractall(site)
    ours = Path(__import__("numpy").__file__).parents[1]
    (Path(site) / "borrowed.pth").write_text(f"{ours}\n")
    sheet = make_song({"a": (noise(1), "gain_db: -6, eq: [{type: high_pass, freq_hz: 90}]")})
    environment = {k: v for k, v in os.environ.items() if k != "PYTHONPATH"}
    code = (
        "import mixwright, sys; from mixwright import cli; "
        f"assert mixwright.__file__.startswith({site!r}), mixwright.__file__; "
        f"status = cli.run(['schema', '--path']) or cli.run(['render', {str(sheet)!r}]); "
        "from mixwright.cli.demo import example_folder; "
        f"assert str(example_folder()).startswith({site!r}); sys.exit(status)"
    )
    done = subprocess.run(
        [python, "-c", code],
        capture_output=True,
        text=True,
        env=environment,
        cwd=tmp_path,
        check=False,
    )
    assert (done.returncode, done.stderr) == (0, "")
    assert site in done.stdout
    assert (tmp_path / "out" / "mix.wav").exists()
