"""Speed and memory, by ratio within one run: ``python benchmarks/bench.py [--stems N] ...``.

Runs each job as a process of its own, several times in turn (so that a machine whose speed drifts
does not favour one), and compares medians. Compiled code is warmed up first. Peak memory is the
largest resident set of the process, from the operating system.
"""

from __future__ import annotations

import argparse
import os
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

from load import make_stems, write_release, write_sheet

HERE = Path(__file__).resolve().parent


CHECK_FAILS = 1  # what a check of the load says is not asked here


@dataclass(frozen=True)
class Run:
    """One finished process."""

    seconds: float
    cpu_seconds: float
    peak_mb: float


def run(command: list[str], cache: Path) -> Run:
    """Run a command to its end and account for it."""
    environment = {**os.environ, "MIXWRIGHT_CACHE": str(cache)}
    began = time.perf_counter()
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL, env=environment)
    _, status, usage = os.wait4(process.pid, 0)
    took = time.perf_counter() - began
    if os.waitstatus_to_exitcode(status) not in (0, CHECK_FAILS):
        raise SystemExit(f"failed: {' '.join(command)}")
    scale = 1e6 if sys.platform == "darwin" else 1e3
    return Run(took, usage.ru_utime + usage.ru_stime, usage.ru_maxrss / scale)


def engine(folder: Path, threads: int | None = None) -> list[str]:
    """The engine's command for the sheet in a folder."""
    command = [sys.executable, "-m", "mixwright.cli", "render", str(folder / "mix.yaml")]
    return command + (["--threads", str(threads)] if threads else [])


def check(folder: Path) -> list[str]:
    """The command that checks the sheet in a folder."""
    return [sys.executable, "-m", "mixwright.cli", "check", str(folder / "mix.yaml")]


def delivery(folder: Path) -> list[str]:
    """The command that delivers the release in a folder anew: its eight variants."""
    return [*stems_too(folder), "--only", EIGHT]


def stems_too(folder: Path) -> list[str]:
    """The command that delivers everything in a folder anew: five stems as well."""
    shutil.rmtree(folder / "out", ignore_errors=True)
    return [sys.executable, "-m", "mixwright.cli", "deliver", str(folder / "release.yaml")]


def release_render(folder: Path) -> list[str]:
    """The command that renders the main mix of the release alone."""
    command = [sys.executable, "-m", "mixwright.cli", "render", str(folder / "release.yaml")]
    return [*command, "--out", str(folder / "alone.wav")]


def compare_delivery(folder: Path, cache: Path, runs: int) -> dict[str, list[Run]]:
    """Deliver eight variants against one render of the same sheet, with levels new and known."""
    results: dict[str, list[Run]] = {
        name: [] for name in (RENDER_NEW, DELIVER_NEW, RENDER_KNOWN, DELIVER_KNOWN, STEMS_KNOWN)
    }
    known = ((RENDER_KNOWN, release_render), (DELIVER_KNOWN, delivery), (STEMS_KNOWN, stems_too))
    for _ in range(runs):
        for name, command in ((RENDER_NEW, release_render), (DELIVER_NEW, delivery)):
            shutil.rmtree(cache, ignore_errors=True)
            results[name].append(run(command(folder), cache))
        for name, command in known:
            results[name].append(run(command(folder), cache))
    shutil.rmtree(folder / "out")
    return results


def print_delivery(results: dict[str, list[Run]]) -> None:
    """Print medians and ratios; the target stands beside."""
    print("\neight variants, then 5 stems as well, against one render of the same sheet")
    print_medians(results)
    pairs = ((DELIVER_NEW, RENDER_NEW), (DELIVER_KNOWN, RENDER_KNOWN), (STEMS_KNOWN, RENDER_KNOWN))
    for many, one in pairs:
        wall, cpu = (
            median(results[many], what) / median(results[one], what)
            for what in ("seconds", "cpu_seconds")
        )
        target = "" if many == STEMS_KNOWN else " (target 2.5)"
        print(f"{many}: {wall:.2f}x the time of {one}{target}, {cpu:.2f}x the cpu")


def compare_revision(folder: Path, cache: Path, runs: int) -> dict[str, list[Run]]:
    """Compare and review a change of one line, against one render, with levels known."""
    new = folder / "release.yaml"
    old = folder / "before.yaml"
    text = new.read_text("utf-8")
    old.write_text(text.replace("gain_db: -31", "gain_db: -32", 1), "utf-8")
    program = [sys.executable, "-m", "mixwright.cli"]
    jobs = {
        RENDER_KNOWN: release_render(folder),
        COMPARED: [*program, "compare", str(old), str(new)],
        REVIEWED: [*program, "review", str(new), "--against", str(old)],
    }
    for command in jobs.values():
        run(command, cache)
    results: dict[str, list[Run]] = {name: [] for name in jobs}
    for _ in range(runs):
        for name, command in jobs.items():
            results[name].append(run(command, cache))
    return results


def print_revision(results: dict[str, list[Run]]) -> None:
    """Print medians and ratios."""
    print("\na change of one line, against one render")
    print_medians(results)
    for name in (COMPARED, REVIEWED):
        wall, cpu = (
            median(results[name], what) / median(results[RENDER_KNOWN], what)
            for what in ("seconds", "cpu_seconds")
        )
        print(f"{name}: {wall:.2f}x the time of {RENDER_KNOWN}, {cpu:.2f}x the cpu")


def prepared(root: Path, stems: int, seconds: float) -> Path:
    """Make the load in a new folder."""
    folder = root / f"{stems}x{seconds:g}"
    make_stems(folder, stems, seconds)
    write_sheet(folder, stems, seconds)
    write_release(folder, stems, seconds)
    return folder


def median(runs: list[Run], what: str) -> float:
    """The median of one figure."""
    return statistics.median(getattr(one, what) for one in runs)


def main() -> None:
    """Print times, ratios and peak memory."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--stems", type=int, default=24)
    parser.add_argument("--seconds", type=float, default=240)
    parser.add_argument("--runs", type=int, default=2)
    parser.add_argument("--skip-long", action="store_true", help="leave out the 5x longer song")
    parser.add_argument("--only-measuring", action="store_true", help="one file through all meters")
    parser.add_argument("--only-revision", action="store_true", help="compare and review a change")
    parser.add_argument("--only-delivery", action="store_true", help="eight variants of a song")
    wanted = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="mixwright-bench-") as name:
        root = Path(name)
        cache = root / "cache"
        if wanted.only_delivery or wanted.only_revision:
            folder = prepared(root, wanted.stems, wanted.seconds)
            run(delivery(prepared(root, 9, 5)), cache)
        if wanted.only_delivery:
            print_delivery(compare_delivery(folder, cache, wanted.runs))
            return
        if wanted.only_revision:
            print_revision(compare_revision(folder, cache, wanted.runs))
            return
        print_measuring(compare_measuring(root, cache, wanted.runs))
        if wanted.only_measuring:
            return
        folder = prepared(root, wanted.stems, wanted.seconds)
        results = compare(folder, cache, wanted.runs)
        print_table(results, wanted.stems, wanted.seconds)
        print_delivery(compare_delivery(folder, cache, wanted.runs))
        print_revision(compare_revision(folder, cache, wanted.runs))
        if not wanted.skip_long:
            print_memory(root, wanted.stems, wanted.seconds, results[FIRST])


FIRST, KNOWN, FLOOR = "engine, first render", "engine, levels known", "floor: decode, sum, write"
CHECK, CHECK_AGAIN = "check, first time", "check, again"
RENDER_NEW, DELIVER_NEW = "render, first time", "deliver, first time"
RENDER_KNOWN, DELIVER_KNOWN = "render, levels known", "deliver, levels known"
STEMS_KNOWN = "deliver with stems, levels known"
COMPARED, REVIEWED = "compare", "review, 15 sources"
EIGHT = "main,instrumental,tv,a_cappella,clean,vocal_up,vocal_down,broadcast"
BARE, METERS = "by hand, bare", "by hand, same meters"
MATCHED = "by hand, same meters and levels"


ALL_FIGURES, LOUDNESS_ALONE = "all figures", "by hand, loudness alone"
MEASURED_S = 240.0


def compare(folder: Path, cache: Path, runs: int) -> dict[str, list[Run]]:
    """Run every job in turn, `runs` times over, after a warm-up."""
    by_hand = [sys.executable, str(HERE / "by_hand.py"), str(folder)]
    jobs = {
        FIRST: engine(folder),
        KNOWN: engine(folder),
        FLOOR: [sys.executable, str(HERE / "floor.py"), str(folder)],
        BARE: by_hand,
        METERS: [*by_hand, "--meters"],
        MATCHED: [*by_hand, "--meters", "--match"],
    }
    warm = prepared(folder.parent, 3, 5)
    run(check(warm), cache)
    run([sys.executable, str(HERE / "by_hand.py"), str(warm)], cache)
    results: dict[str, list[Run]] = {name: [] for name in (CHECK, CHECK_AGAIN, *jobs)}
    for _ in range(runs):
        shutil.rmtree(cache, ignore_errors=True)  # a first render measures every level match
        for name in (CHECK, CHECK_AGAIN):  # the first looks for faults in every stem
            results[name].append(run(check(folder), cache))
        shutil.rmtree(cache)
        for name, command in jobs.items():
            results[name].append(run(command, cache))
    return results


def print_table(results: dict[str, list[Run]], stems: int, seconds: float) -> None:
    """Print medians and ratios; the targets stand beside."""
    print(f"{stems} stems x {seconds:g} s, {os.cpu_count()} cores, median of the runs")
    print_medians(results)
    took = {name: median(runs, "seconds") for name, runs in results.items()}
    for name, same in ((FIRST, MATCHED), (KNOWN, METERS)):
        print(
            f"{name}: {took[same] / took[name]:.1f}x faster than {same} (target 5), "
            f"{took[BARE] / took[name]:.1f}x than {BARE}, "
            f"{took[name] / took[FLOOR]:.2f}x the floor (target 2.5)"
        )
    for name, same in ((CHECK, FIRST), (CHECK_AGAIN, KNOWN)):
        print(f"{name}: {took[name] / took[same]:.2f}x the time of {same} (target 1.6)")


def print_medians(results: dict[str, list[Run]]) -> None:
    """Print a line of medians for each job."""
    print(f"{'job':<34}{'wall s':>9}{'cpu s':>9}{'peak MB':>9}")
    for name, runs in results.items():
        figures = (median(runs, "seconds"), median(runs, "cpu_seconds"), median(runs, "peak_mb"))
        print(f"{name:<34}{figures[0]:>9.2f}{figures[1]:>9.2f}{figures[2]:>9.0f}")


def compare_measuring(root: Path, cache: Path, runs: int) -> dict[str, list[Run]]:
    """Measure one stereo file with every meter, and its loudness alone by hand."""
    folder, script = root / "one", [sys.executable, str(HERE / "measure_cost.py")]
    make_stems(folder, 1, MEASURED_S)
    file = str(folder / "stems" / "t00.wav")
    jobs = {
        ALL_FIGURES: [*script, file],
        LOUDNESS_ALONE: [*script, file, "--loudness-alone"],
    }
    for command in jobs.values():
        run(command, cache)
    results: dict[str, list[Run]] = {name: [] for name in jobs}
    for _ in range(runs):
        for name, command in jobs.items():
            results[name].append(run(command, cache))
    shutil.rmtree(folder)
    return results


def print_measuring(results: dict[str, list[Run]]) -> None:
    """Print medians and the ratio of the two; the target stands beside."""
    print(f"measuring one {MEASURED_S:g} s stereo file")
    print_medians(results)
    wall, cpu = (
        median(results[ALL_FIGURES], what) / median(results[LOUDNESS_ALONE], what)
        for what in ("seconds", "cpu_seconds")
    )
    print(
        f"{ALL_FIGURES}: {wall:.2f}x the time of {LOUDNESS_ALONE} (target 2), {cpu:.2f}x the cpu\n"
    )


def print_memory(root: Path, stems: int, seconds: float, short: list[Run]) -> None:
    """Render a song five times as long and compare peak memory."""
    shutil.rmtree(root / f"{stems}x{seconds:g}")
    folder = prepared(root, stems, 5 * seconds)
    long = run(engine(folder), root / "cache")
    before = median(short, "peak_mb")
    print(
        f"peak memory: {before:.0f} MB (target 500), five times as long: {long.peak_mb:.0f} MB "
        f"({100 * (long.peak_mb / before - 1):+.1f} %, target 10 %)"
    )


if __name__ == "__main__":
    main()
