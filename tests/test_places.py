"""Where caches, settings and compiled code lie, on machines where next to nothing can be written.

Root may write anywhere, so that what another user may is tried as another user.
"""

from __future__ import annotations

import importlib.util
import json
import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from conftest import SongMaker, noise
from mixwright import cli, places
from mixwright.cli.progress import shown_progress
from mixwright.dsp.kernels import SETTINGS, kept
from mixwright.places import (
    CodePlace,
    cache_folder,
    code_place,
    config_folder,
    home_folder,
    private_folder,
)
from mixwright.problem import ProblemError
from mixwright.rendering.plugin_list import plugin_list_path

ROOT = Path(__file__).resolve().parents[1]
OTHER_USER = 54321  # a number that no system lists
VARIABLES = (
    "HOME",
    "XDG_CACHE_HOME",
    "XDG_CONFIG_HOME",
    "MIXWRIGHT_CACHE",
    "MIXWRIGHT_PLUGINS",
    "NUMBA_CACHE_DIR",
)


@pytest.fixture(autouse=True)
def _nothing_set(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    for name in VARIABLES:
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setattr(places, "_notes", {})
    code_place.cache_clear()
    yield
    code_place.cache_clear()


def unknown_user(monkeypatch: pytest.MonkeyPatch) -> None:
    """As for a user that the system doesn't list: there is no home to be found."""

    def unknown(path: Path) -> Path:
        raise RuntimeError("Could not determine home directory.")

    monkeypatch.setattr(Path, "expanduser", unknown)


# Home, caches, settings.


def test_where_caches_and_settings_are_looked_for(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("HOME", "/home/mara")
    assert cache_folder() == Path("/home/mara/.cache/mixwright")
    assert config_folder() == Path("/home/mara/.config/mixwright")
    monkeypatch.setenv("XDG_CACHE_HOME", "relative")  # passed over, as its specification asks
    assert cache_folder() == Path("/home/mara/.cache/mixwright")
    monkeypatch.setenv("XDG_CACHE_HOME", "/fast")
    assert cache_folder() == Path("/fast/mixwright")
    monkeypatch.setenv("MIXWRIGHT_CACHE", "/mine")
    assert cache_folder() == Path("/mine")


@pytest.mark.parametrize("home", [None, "", "relative/home"])
def test_a_user_without_a_home_has_no_cache_and_no_list(
    home: str | None, monkeypatch: pytest.MonkeyPatch
) -> None:
    unknown_user(monkeypatch)
    if home is not None:
        monkeypatch.setenv("HOME", home)
    assert (home_folder(), cache_folder(), config_folder()) == (None, None, None)
    with pytest.raises(ProblemError, match="this user has no home folder"):
        plugin_list_path()
    monkeypatch.setenv("MIXWRIGHT_PLUGINS", "~nobody-at-all/list.yaml")
    with pytest.raises(ProblemError, match="no home is known for that user"):
        plugin_list_path()


# Which folder compiled code is kept in.


@pytest.fixture
def closed(tmp_path: Path) -> Path:
    """A folder of sources beside which nothing can be written, not even by root."""
    (tmp_path / "file").write_text("")
    return tmp_path / "file" / "sources"


@pytest.fixture
def temporary(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Temporary files of this test alone."""
    (tmp_path / "tmp").mkdir()
    (tmp_path / "tmp").chmod(0o1777)
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path / "tmp"))
    return tmp_path / "tmp"


def test_code_lies_beside_its_sources_where_it_can(tmp_path: Path) -> None:
    place = code_place(tmp_path)
    assert place == CodePlace(tmp_path / "__pycache__", tmp_path / "__pycache__")
    assert places.code_notes() == ()


def test_numbas_own_variable_comes_first(
    tmp_path: Path, closed: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("NUMBA_CACHE_DIR", str(tmp_path / "chosen"))
    folder = code_place(tmp_path).folder
    assert folder is not None
    assert folder.parent == tmp_path / "chosen"
    code_place.cache_clear()
    monkeypatch.setenv("NUMBA_CACHE_DIR", str(closed))
    assert code_place(tmp_path).folder == tmp_path / "__pycache__"


def test_then_in_the_users_cache(
    tmp_path: Path, closed: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("MIXWRIGHT_CACHE", str(tmp_path / "mine"))
    folder = code_place(closed).folder
    assert folder is not None
    assert folder.parent == tmp_path / "mine" / "compiled"
    assert folder.parent.stat().st_mode & 0o777 == 0o700
    assert places.code_notes() == ()
    # Another installation has a folder of its own.
    assert code_place(closed / "other").folder != folder


def test_then_among_the_temporary_files_and_that_is_said(
    closed: Path, temporary: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("HOME", str(closed))
    folder = code_place(closed).folder
    assert folder is not None
    assert folder.parent == temporary / f"mixwright-{os.geteuid()}"
    (note,) = places.code_notes()
    assert str(folder.parent) in note
    assert "$MIXWRIGHT_CACHE" in note
    code_place(closed / "more")
    assert len(places.code_notes()) == 1


def test_then_nowhere(closed: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    unknown_user(monkeypatch)
    monkeypatch.setattr(tempfile, "tempdir", None)
    monkeypatch.setattr(tempfile, "_candidate_tempdir_list", lambda: [str(closed)])
    assert code_place(closed).folder is None
    (note,) = places.code_notes()
    assert "can't be kept anywhere" in note


@pytest.mark.parametrize("way", ["link", "open", "of another", "open above", "owned above"])
def test_code_is_not_loaded_from_where_others_can_write(
    way: str, closed: Path, temporary: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    unknown_user(monkeypatch)
    taken = temporary / f"mixwright-{os.geteuid()}"
    if way == "link":
        (tmp_path / "elsewhere").mkdir(mode=0o700)
        taken.symlink_to(tmp_path / "elsewhere")
    elif way == "open":
        taken.mkdir()
        taken.chmod(0o720)
    elif way == "open above":
        temporary.chmod(0o777)  # without the sticky bit: others can put their own in its place
    elif os.geteuid() != 0:
        pytest.skip("only root can give folders away")
    elif way == "of another":
        taken.mkdir(mode=0o700)
        os.chown(taken, OTHER_USER, OTHER_USER)
    else:
        os.chown(temporary, OTHER_USER, OTHER_USER)
    assert code_place(closed).folder is None
    assert "can't be kept anywhere" in places.code_notes()[0]


def test_the_note_is_for_people_not_for_json(
    closed: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(places, "_notes", {"compiled code lies there": None})
    with shown_progress(quiet=True):
        pass
    assert capsys.readouterr().err == ""
    with shown_progress():
        pass
    assert capsys.readouterr().err == "note: compiled code lies there\n"


# What is kept.

KERNEL = """\
from mixwright.dsp.kernels.options import njit
from mixwright.places import CodePlace

def kernel(place):
    @njit(place)
    def doubled(value):
        return 2.0 * value
    return doubled
"""


def tiny(file: Path, place: CodePlace) -> Any:
    """A kernel of a module at `file`, as a fresh run would have it."""
    file.write_text(KERNEL, "utf-8")
    spec = importlib.util.spec_from_file_location("tiny", file)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module.kernel(place)


def hits(kernel: Any) -> int:
    assert kernel(4.0) == 8.0
    return sum(kernel.stats.cache_hits.values())


def test_code_is_kept_and_a_damaged_file_is_made_again(tmp_path: Path) -> None:
    own, file = tmp_path / "own", tmp_path / "tiny.py"
    place = CodePlace(own, tmp_path / "__pycache__")
    assert [hits(tiny(file, place)) for _ in range(2)] == [0, 1]
    for damaged in (*own.glob("*.nbi"), *own.glob("*.nbc")):
        whole = damaged.read_bytes()
        for content in (b"", whole[: len(whole) // 2], b"\x80\x05garbage"):
            damaged.write_bytes(content)
            assert hits(tiny(file, place)) == 0, damaged.suffix
            assert hits(tiny(file, place)) == 1, damaged.suffix


def test_code_that_another_user_kept_beside_the_program_is_used(tmp_path: Path) -> None:
    beside, file = tmp_path / "__pycache__", tmp_path / "tiny.py"
    assert hits(tiny(file, CodePlace(beside, beside))) == 0
    for own in (tmp_path / "own", None):
        assert hits(tiny(file, CodePlace(own, beside))) == 1
        shutil.rmtree(tmp_path / "own", ignore_errors=True)


def test_code_is_compiled_though_it_can_not_be_kept(tmp_path: Path) -> None:
    file, place = tmp_path / "tiny.py", CodePlace(tmp_path / "own", tmp_path / "none")
    kernel = tiny(file, place)
    (tmp_path / "own").write_text("a file, where the folder was")
    assert hits(kernel) == 0
    assert hits(tiny(file, CodePlace(None, tmp_path / "none"))) == 0


def test_code_depends_on_every_source_that_went_into_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    limiter = kept.PACKAGE / "dsp" / "kernels" / "limiter.py"
    names = {source.name for source in kept.sources_of(limiter)}
    assert {"limiter.py", "dynamics.py", "compressor.py", "options.py", "places.py"} <= names
    shutil.copytree(kept.PACKAGE / "dsp", tmp_path / "dsp")
    monkeypatch.setattr(kept, "PACKAGE", tmp_path)
    copy, stamps = tmp_path / "dsp" / "kernels" / "limiter.py", []
    for change in ("", "\n# of no effect, but who could tell\n"):
        with (tmp_path / "dsp" / "kernels" / "compressor.py").open("a") as source:
            source.write(change)
        kept._stamp.cache_clear()
        stamps.append(kept._stamp(copy))
    assert stamps[0] != stamps[1]


def test_no_kernel_is_compiled_otherwise() -> None:
    """Numba's own ``cache=True`` fails where it finds no folder: `njit` of ours comes instead."""
    ours = kept.PACKAGE / "dsp" / "kernels" / "options.py"
    for source in sorted(kept.PACKAGE.rglob("*.py")):
        text = source.read_text("utf-8")
        if source != ours and "@njit" in text:
            assert "njit" not in "".join(x for x in text.splitlines() if "from numba" in x), source
            assert "options import" in text, source


def test_a_song_folder_can_not_set_how_code_is_compiled(
    make_song: SongMaker, tmp_path: Path
) -> None:
    sheet = make_song({"a": (noise(1, 0.5), "")})
    (tmp_path / SETTINGS).write_text(f"cache_dir: {tmp_path / 'theirs'}\n")
    command = [sys.executable, "-m", "mixwright.cli", "measure", str(sheet.parent / "stems/a.wav")]
    done = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, check=False)
    assert (done.returncode, done.stdout) == (2, "")
    assert f"error: there is a file {SETTINGS} in the current folder" in done.stderr
    assert not (tmp_path / "theirs").exists()


# Other things that want a folder.


def test_a_bug_is_told_where_there_is_no_folder_for_the_report(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def bug(*_: object, **__: object) -> None:
        raise ZeroDivisionError("ours")

    monkeypatch.setattr(tempfile, "tempdir", None)
    monkeypatch.setattr(tempfile, "_candidate_tempdir_list", lambda: ["/proc/none"])
    monkeypatch.setattr(cli.root, "main", bug)
    assert cli.run(["validate", "mix.yaml"]) == 70
    assert "report it with what is shown above" in capsys.readouterr().err


def test_a_picture_without_a_folder_for_fonts_is_the_machines_fault() -> None:
    code = (
        "import tempfile; tempfile._candidate_tempdir_list = lambda: ['/proc/none']\n"
        "from mixwright.report.pictures import _canvas\n"
        "from mixwright import cli\n"
        "from mixwright.problem import ProblemError\n"
        "try:\n _canvas(2)\n"
        "except ProblemError as error:\n raise SystemExit(cli.show_problems(error))"
    )
    clean = {k: v for k, v in os.environ.items() if not k.startswith("MPL")}
    done = subprocess.run(
        [sys.executable, "-c", code],
        env={**clean, "HOME": "/proc/none"},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 3
    assert "error: no picture can be drawn" in done.stderr


# As another user: an installation that is root's, and a home that isn't there.


@pytest.fixture(scope="module")
def installed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Our package as root installs it for others: they may read it, and no more."""
    site = tmp_path_factory.mktemp("site")
    shutil.copytree(
        kept.PACKAGE, site / "mixwright", ignore=shutil.ignore_patterns("__pycache__", "*.nb?")
    )
    shutil.copytree(ROOT / "schemas", site / "mixwright" / "schemas")
    for path in (site, *site.rglob("*")):
        path.chmod(0o555 if path.is_dir() else 0o444)
    return site


def as_another(site: Path, code: str, **environment: str) -> subprocess.CompletedProcess[str]:
    """Run Python as a user who may read everything, and write where it is open to all."""
    setpriv = shutil.which("setpriv")
    if setpriv is None or os.geteuid() != 0:
        pytest.skip("only root can act for another user, and needs setpriv for it")
    user = [f"--reuid={OTHER_USER}", f"--regid={OTHER_USER}", "--clear-groups"]
    read = ["--inh-caps=+dac_read_search", "--ambient-caps=+dac_read_search"]
    kept_variables = {"PATH": os.environ["PATH"], "PYTHONPATH": str(site)}
    command = [setpriv, *user, *read, sys.executable]
    if subprocess.run([*command, "-c", ""], check=False, capture_output=True).returncode != 0:
        pytest.skip("this machine lets nobody act for another user")
    return subprocess.run(
        [*command, "-c", code],
        env={**kept_variables, **environment},
        cwd=site,
        capture_output=True,
        text=True,
        check=False,
    )


# One small kernel stands for all: they are decorated alike.
DECODE = """
import json, sys, tempfile
from pathlib import Path
import numpy as np
if not {temporary!r}:
    tempfile._candidate_tempdir_list = lambda: ["/proc/none"]
else:
    tempfile.tempdir = {temporary!r}
from mixwright.audio.decode import decode_into, _decode_24
from mixwright.places import cache_folder, code_notes
out = np.empty((2, 1))
decode_into(np.array([0, 0, 64, 0, 0, 128], np.uint8), "PCM_24", out)
folder = _decode_24._cache.cache_path
files = sorted(p.suffix for p in Path(folder).iterdir()) if folder else []
print(json.dumps([out.ravel().tolist(), folder, files, len(code_notes())]))
"""


@pytest.fixture
def spare() -> Iterator[Path]:
    """A folder open to all: pytest's own are closed to others."""
    folder = Path(tempfile.mkdtemp(dir="/tmp"))
    folder.chmod(0o1777)
    yield folder
    shutil.rmtree(folder)


@pytest.mark.parametrize("home", [None, "/nonexistent"])
def test_another_user_compiles_into_temporary_files_or_not_at_all(
    home: str | None, installed: Path, spare: Path
) -> None:
    variables = {} if home is None else {"HOME": home}
    done = as_another(installed, DECODE.format(temporary=str(spare)), **variables)
    assert (done.returncode, done.stderr) == (0, "")
    samples, folder, files, notes = json.loads(done.stdout)
    assert (samples, files, notes) == ([0.5, -1.0], [".nbc", ".nbi"], 1)
    assert Path(folder).parent == spare / f"mixwright-{OTHER_USER}"
    done = as_another(installed, DECODE.format(temporary=""), **variables)
    assert (done.returncode, done.stderr) == (0, "")
    assert json.loads(done.stdout) == [[0.5, -1.0], None, [], 1]


def test_another_user_without_a_home_reads_a_sheet(
    installed: Path, make_song: SongMaker, spare: Path
) -> None:
    sheet = make_song({"a": (noise(1, 0.5), "")})
    shutil.copytree(sheet.parent, spare / "song")
    (spare / "song").chmod(0o755)
    sheet = spare / "song" / sheet.name
    code = f"from mixwright import cli; cli.main(['validate', {str(sheet)!r}])"
    done = as_another(installed, code)
    assert (done.returncode, done.stderr) == (0, "")
    assert "ok" in done.stdout


@pytest.mark.parametrize("mask", [0o002, 0o022, 0o077, 0])
def test_a_private_folder_is_private_whatever_the_users_mask(tmp_path: Path, mask: int) -> None:
    before = os.umask(mask)
    try:
        found = private_folder(tmp_path / "cache" / "mixwright" / "compiled")
    finally:
        os.umask(before)
    assert found == tmp_path.resolve() / "cache" / "mixwright" / "compiled"
    assert found.stat().st_mode & 0o777 == 0o700
