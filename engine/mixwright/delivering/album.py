"""An album: the sheets in a folder, delivered side by side, and what they measure together."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from mixwright.delivering.album_loudness import album_lufs, hops_of_files, main_mix
from mixwright.delivering.album_sheets import SongSheet
from mixwright.delivering.delivery import Delivered
from mixwright.delivering.manifest import OutputEntry
from mixwright.delivering.side_by_side import Job, Outcome, TellAll, side_by_side
from mixwright.problem import Problem, ProblemError
from mixwright.rendering.session import Session, StageProgress
from mixwright.sheet import Sheet
from mixwright.units import or_silence


@dataclass(frozen=True)
class AlbumSong:
    """A song of an album and what became of it.

    `name` is its sheet's path below the album's folder, `folder` where its files go. `delivered`
    is None where nothing could be; `problems` say why, `bug` is a fault of mixwright's own. `main`
    is the file of the main mix, or of the first variant where that was not made.
    """

    name: str
    sheet: Path
    title: str
    folder: Path | None = None
    delivered: Delivered | None = None
    main: OutputEntry | None = None
    problems: tuple[Problem, ...] = ()
    bug: Exception | None = None

    @property
    def failed(self) -> bool:
        """Whether not all of it was delivered."""
        return bool(self.every_problem) or self.bug is not None

    @property
    def every_problem(self) -> tuple[Problem, ...]:
        """Its own problems, then those of its variants."""
        variants = () if self.delivered is None else self.delivered.failed.values()
        return (*self.problems, *(problem for problems in variants for problem in problems))

    @property
    def integrated_lufs(self) -> float | None:
        """How loud its main mix is; None for silence and where there is none."""
        return None if self.main is None else self.main.meters.integrated_lufs


@dataclass(frozen=True)
class Album:
    """What delivering an album did, its songs in order.

    `integrated_lufs` is the loudness of all main mixes as one programme, see
    :func:`mixwright.delivering.album_loudness.album_lufs`.
    """

    folder: Path
    songs: tuple[AlbumSong, ...]
    integrated_lufs: float | None = None

    @property
    def failed(self) -> tuple[AlbumSong, ...]:
        """The songs of which not all was delivered."""
        return tuple(song for song in self.songs if song.failed)

    @property
    def loudest(self) -> AlbumSong | None:
        """The song whose main mix is loudest, None where none sounds."""
        return max(
            self._sounding(), key=lambda song: or_silence(song.integrated_lufs), default=None
        )

    @property
    def quietest(self) -> AlbumSong | None:
        """The song whose main mix is quietest, None where none sounds."""
        return min(
            self._sounding(), key=lambda song: or_silence(song.integrated_lufs), default=None
        )

    @property
    def difference_lu(self) -> float | None:
        """By how much the loudest song is louder than the quietest."""
        levels = [or_silence(song.integrated_lufs) for song in self._sounding()]
        return max(levels) - min(levels) if levels else None

    @property
    def max_true_peak_dbtp(self) -> float | None:
        """The highest true peak of all main mixes."""
        peaks = (song.main.meters.true_peak_dbtp for song in self.songs if song.main is not None)
        return max((peak for peak in peaks if peak is not None), default=None)

    def _sounding(self) -> list[AlbumSong]:
        return [song for song in self.songs if song.integrated_lufs is not None]


class DeliverSong(Protocol):
    """Delivers one sheet; something that a fresh process can import, or a partial of such."""

    def __call__(self, sheet: Sheet, out: Path, session: Session) -> Delivered: ...


def deliver_songs(
    folder: Path,
    songs: Sequence[SongSheet],
    deliver: DeliverSong,
    session: Session,
    progress: TellAll | None = None,
) -> Album:
    """Deliver the songs of an album side by side; what befalls one leaves the others alone.

    The threads are shared out: two songs with a thread each are done sooner than
    one song after the other with two. `progress` is told the name of a song, what is done, and how
    far, and at its end ``done`` or ``failed``.
    """
    tell = progress or (lambda name, stage, share: None)
    at_once = max(1, min(session.cores, sum(song.folder is not None for song in songs)))
    each = replace(session, threads=session.cores // at_once)
    sheets: dict[str, Sheet] = {}
    jobs: list[Job[Delivered]] = []
    for song in songs:
        if song.sheet is not None and song.folder is not None:
            sheets[song.name] = song.sheet
            work = partial(_deliver_one, deliver, song.sheet, song.folder, each)
            jobs.append(Job(song.name, work))
        tell(song.name, "failed" if song.problems else "waiting", 0.0)
    done = {song.name: _not_begun(song) for song in songs}
    with closing(side_by_side(jobs, at_once, tell)) as ended:
        for index, outcome in ended:
            name = jobs[index].name
            done[name] = _ended(done[name], sheets[name], outcome)
            tell(name, "failed" if done[name].failed else "done", 1.0)
    heard, loudness_lufs = heard_together(done, session)
    for name in (name for name in done if heard[name].failed and not done[name].failed):
        tell(name, "failed", 1.0)
    return Album(folder, tuple(heard.values()), loudness_lufs)


def heard_together(
    songs: Mapping[str, AlbumSong], session: Session
) -> tuple[dict[str, AlbumSong], float | None]:
    """Return songs by name and the loudness of all main mixes as one programme, None for silence.

    A main mix that was written and is listed may be gone or damaged since: then its song says so.
    """
    heard = dict(songs)
    mains = {
        name: song.folder / song.main.file
        for name, song in songs.items()
        if song.folder is not None and song.main is not None
    }
    hops: list[NDArray[np.float64]] = []
    for name, found in zip(mains, hops_of_files(list(mains.values()), session), strict=True):
        if isinstance(found, ProblemError):
            heard[name] = replace(songs[name], problems=found.problems)
        else:
            hops.append(found)
    return heard, album_lufs(hops)


def _deliver_one(
    deliver: DeliverSong, sheet: Sheet, folder: Path, session: Session, progress: StageProgress
) -> Delivered:
    """The work of one process, which is given `progress` alone."""
    return deliver(sheet, folder, replace(session, progress=progress))


def _not_begun(song: SongSheet) -> AlbumSong:
    title = song.name if song.sheet is None else song.sheet.song.title
    return AlbumSong(song.name, song.path, title, song.folder, problems=song.problems)


def _ended(song: AlbumSong, sheet: Sheet, outcome: Outcome[Delivered]) -> AlbumSong:
    if (done := outcome.result) is None:
        return replace(song, problems=outcome.problems, bug=outcome.bug)
    main = main_mix((*done.made, *done.kept), [variant.name for variant in sheet.variants])
    return replace(song, delivered=done, main=main)
