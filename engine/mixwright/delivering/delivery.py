"""A delivery: what is out of date is made in one pass, written, and put in its place, listed.

The steps: lock the folder, finish what was cut off, work out what every variant depends on, make
those whose files are not what they would become, commit variant by variant.
"""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import ExitStack, closing
from dataclasses import dataclass, replace
from pathlib import Path

from mixwright.audio import FORMATS, check_target
from mixwright.audio.staged import LONGEST_SOUND_PATH, check_name
from mixwright.delivering.commit import commit, locked, recover, retire, staging, write_manifest
from mixwright.delivering.files import write_file
from mixwright.delivering.hashes import check_unchanged, lying_sha256
from mixwright.delivering.manifest import (
    MANIFEST_FILE,
    Manifest,
    OutputEntry,
    SheetEntry,
    SongName,
    input_entry,
    relative_file,
    this_platform,
    this_tool,
)
from mixwright.delivering.orders import Order, Orders, digest_of, orders_of
from mixwright.delivering.ready import Lead, made_ready
from mixwright.delivering.strangers import still_made_with
from mixwright.delivering.variants import Version
from mixwright.problem import Fault, Problem, ProblemError, Severity
from mixwright.rendering import Plan
from mixwright.rendering.identity import Contents, contents_of
from mixwright.rendering.perform import PlannedMix, performed
from mixwright.rendering.plan import PlanOf
from mixwright.rendering.recording import Recording
from mixwright.rendering.session import USUAL, Session
from mixwright.rendering.target import keep_sources
from mixwright.sheet import Sheet

# So many mixes are made in one pass, sets of parts being kept whole: each takes some memory (its
# sums, returns and buses, some 10 MB) and, on disk, 16 bytes a frame.
MIXES_AT_ONCE = 16
# Where the mix of a version stands among those performed, by variant and stem.
Places = dict[tuple[str, str | None], int]


@dataclass(frozen=True)
class Delivered:
    """What a delivery did: `made` and `kept` are the files of the variants asked for.

    `failed` names variants that could not be made, with the problems; `stale` those that were not
    asked for and are missing or from an earlier sheet.
    """

    folder: Path
    manifest: Manifest
    made: tuple[OutputEntry, ...]
    kept: tuple[OutputEntry, ...]
    failed: dict[str, tuple[Problem, ...]]
    stale: tuple[str, ...]
    warnings: tuple[Problem, ...] = ()

    @property
    def manifest_path(self) -> Path:
        """Where the manifest lies."""
        return self.folder / MANIFEST_FILE


def default_folder(sheet: Sheet) -> Path:
    """Return where a sheet is delivered: ``out`` beside it, in a folder of its name if not ``mix``.

    >>> from mixwright.sheet import Song
    >>> song = Song("A", 48000)
    >>> [default_folder(Sheet(Path(p), song, ())).as_posix() for p in ("a/mix.yaml", "b/two.yaml")]
    ['a/out', 'b/out/two']
    """
    name = sheet.path.stem
    return sheet.folder / "out" if name == "mix" else sheet.folder / "out" / name


def deliver_sheet(
    sheet: Sheet,
    plan_of: PlanOf,
    folder: Path,
    session: Session = USUAL,
    *,
    only: tuple[str, ...] = (),
    force: bool = False,
) -> Delivered:
    """Bring the files of a sheet's variants, or of those in `only`, up to date in `folder`.

    `plan_of` plans a sheet. Raises ProblemError for stems that can't be read or change meanwhile,
    and when the machine refuses; what is in place by then is whole and listed.
    """
    orders = orders_of(sheet, plan_of)
    _check_names(orders.wanted(only), folder)
    with locked(folder):
        before = recover(folder)
        check_unchanged(orders.stems)
        contents = contents_of(orders.stems, session)
        dated = (replace(o, digest=digest_of(o, sheet, orders.main, contents)) for o in orders.all)
        orders = Orders(orders.main, tuple(dated))
        manifest = _manifest_of(sheet, orders, contents, folder, before)
        return _Delivery(sheet, orders, folder, manifest, session, force).run(only)


def _check_names(orders: Sequence[Order], folder: Path) -> None:
    """Refuse names that the disk can't take before anything is made."""
    check_name(folder / MANIFEST_FILE)
    for order in orders:
        for file in order.files.values():
            hint = f"give {order.variant.name} a shorter file_name, or give another --out"
            check_name(folder / file, hint, LONGEST_SOUND_PATH)


def _manifest_of(
    sheet: Sheet, orders: Orders, contents: Contents, folder: Path, before: Manifest | None
) -> Manifest:
    """The manifest as it will be, with the files that were delivered so far."""
    now = Manifest(
        song=SongName(sheet.song.title, sheet.song.artist),
        sheet=SheetEntry(relative_file(sheet.path, folder), sheet.sha256),
        made_by=this_tool(),
        platform=this_platform(),
        inputs=tuple(input_entry(i, contents[i], sheet.folder) for i in orders.stems),
    )
    if before is not None:
        now = replace(now, outputs=still_made_with(before, now), former=before.former)
    return retire(folder, now, {file for order in orders.all for file in order.files.values()})


class _Delivery:
    """One delivery at work, with the folder locked."""

    def __init__(
        self,
        sheet: Sheet,
        orders: Orders,
        folder: Path,
        manifest: Manifest,
        session: Session,
        force: bool,
    ) -> None:
        self._sheet, self._orders, self._session = sheet, orders, session
        self._folder, self._manifest, self._force = folder, manifest, force
        self._made: list[OutputEntry] = []
        self._failed: dict[str, tuple[Problem, ...]] = {}
        self._warnings: dict[Problem, None] = {}

    def run(self, only: tuple[str, ...]) -> Delivered:
        """Make what is out of date, and say what was done."""
        wanted = self._orders.wanted(only)
        late = [order for order in self._orders.all if not self._stands(order)]
        todo = [order for order in wanted if order in late]
        for order in todo:
            for file in order.files.values():
                keep_sources(self._sheet, self._folder / file)
                self._keep_strangers(file)
        self._manifest = self._of_this_sheet(late)
        for batch in _batches(todo):
            self._perform(batch)
        write_manifest(self._folder, self._manifest)
        kept = [entry for order in wanted if order not in todo for entry in self._entries(order)]
        stale = tuple(order.variant.name for order in late if order not in wanted)
        return Delivered(
            self._folder,
            self._manifest,
            tuple(self._made),
            tuple(kept),
            self._failed,
            stale,
            tuple(self._warnings),
        )

    def _of_this_sheet(self, late: Sequence[Order]) -> Manifest:
        """The manifest with all that stands as made from this sheet: it would come out the same."""
        late_files = {file for order in late for file in order.files.values()}
        now = self._manifest.sheet.sha256
        outputs = (
            entry if entry.file in late_files else replace(entry, sheet_sha256=now)
            for entry in self._manifest.outputs
        )
        return replace(self._manifest, outputs=tuple(outputs))

    def _entries(self, order: Order) -> list[OutputEntry]:
        found = (self._manifest.output(file) for file in order.files.values())
        return [entry for entry in found if entry is not None]

    def _stands(self, order: Order) -> bool:
        """Whether all files of an order are there, and are what they would become."""
        entries = self._entries(order)
        return len(entries) == len(order.files) and all(
            entry.plan == order.digest and lying_sha256(self._folder / entry.file) == entry.sha256
            for entry in entries
        )

    def _keep_strangers(self, file: str) -> None:
        """Refuse to replace what is neither as it was listed nor of our making."""
        entry = self._manifest.output(file)
        lying = lying_sha256(self._folder / file)
        if entry is None or lying != entry.sha256:
            check_target(self._folder / file, self._force)
        if entry is not None and lying not in (None, entry.sha256):
            message = f"{file} was not as it was delivered, and is replaced"
            self._warnings[Problem("deliver/replaced", message, severity=Severity.WARNING)] = None

    def _perform(self, orders: Sequence[Order]) -> None:
        """Perform the mixes of some orders together, then write and commit their files."""
        parts, places = _parts_of(orders, self._orders.main)
        with performed(parts, self._session, self._folder) as done:
            self._warnings |= dict.fromkeys(warning for one in done for warning in one.warnings)
            main = done[0] if any(order.needs_main for order in orders) else None
            self._write(orders, done, places, main)

    def _write(
        self,
        orders: Sequence[Order],
        done: Sequence[Recording],
        places: Places,
        main: Recording | None,
    ) -> None:
        """Write the files of all orders side by side, and commit order by order."""
        session, count = self._session, 0
        with ExitStack() as kept:
            folders = [kept.enter_context(staging(self._folder)) for _ in orders]
            pool = kept.enter_context(
                ThreadPoolExecutor(session.cores, thread_name_prefix="mixwright")
            )
            kept.callback(pool.shutdown, wait=True, cancel_futures=True)
            lead = None if main is None else Lead(main, orders[0].main_finish, self._folder)
            if lead is not None:
                kept.enter_context(closing(lead))
            jobs: list[list[Future[list[OutputEntry]]]] = [
                [
                    pool.submit(
                        self._files,
                        order,
                        version,
                        rate_hz,
                        done[places[version.variant.name, version.stem]],
                        lead,
                        staged,
                    )
                    for version in order.versions
                    for rate_hz in order.rates_hz
                ]
                for order, staged in zip(orders, folders, strict=True)
            ]
            total = sum(map(len, jobs))
            for order, staged, futures in zip(orders, folders, jobs, strict=True):
                entries: list[OutputEntry] | None = []
                for future in futures:
                    made = self._result(order, future)
                    entries = None if made is None or entries is None else entries + made
                    count += 1
                    session.tell("writing", count / total)
                if entries is not None:
                    self._commit(entries, staged)

    def _files(
        self,
        order: Order,
        version: Version,
        rate_hz: int,
        done: Recording,
        lead: Lead | None,
        staged: Path,
    ) -> list[OutputEntry]:
        """The files of one mix at one rate."""
        with made_ready(order, done, lead, rate_hz, self._folder) as ready:
            if ready.readings.true_peak_dbtp is None:
                self._warnings[self._warned(version, "is silent from start to end")] = None
            elif ready.is_unmeasurable:
                words = "is under 0.4 s of sound: it was not brought to a loudness"
                self._warnings[self._warned(version, words)] = None
            return [
                write_file(self._sheet, order, version, ready, FORMATS[name], staged)
                for name in order.variant.formats
            ]

    def _warned(self, version: Version, words: str) -> Problem:
        place = self._sheet.span_of("variants", version.variant.name)
        message = f"{version.spoken} {words}"
        return Problem("deliver/odd", message, place, severity=Severity.WARNING)

    def _result(self, order: Order, future: Future[list[OutputEntry]]) -> list[OutputEntry] | None:
        """What a job made; None where the variant can't be made, which others don't suffer for."""
        try:
            return future.result()
        except ProblemError as error:
            if any(problem.fault is Fault.MACHINE for problem in error.problems):
                raise
            before = self._failed.get(order.variant.name, ())
            place = self._sheet.span_of("variants", order.variant.name)
            found = (replace(problem, span=problem.span or place) for problem in error.problems)
            self._failed[order.variant.name] = tuple(dict.fromkeys([*before, *found]))
            return None

    def _commit(self, entries: list[OutputEntry], staged: Path) -> None:
        check_unchanged(self._orders.stems)
        for entry in entries:
            self._keep_strangers(entry.file)  # someone may have put a file there meanwhile
        self._manifest = commit(self._folder, self._manifest, staged, entries)
        self._made += entries


def _batches(orders: Sequence[Order]) -> list[list[Order]]:
    """Orders to be performed together; a set of parts is never torn."""
    batches: list[list[Order]] = []
    for order in orders:
        count = sum(len(other.versions) for other in batches[-1]) if batches else MIXES_AT_ONCE
        if count + len(order.versions) > MIXES_AT_ONCE:
            batches.append([])
        batches[-1].append(order)
    return batches


def _parts_of(orders: Sequence[Order], main: Plan) -> tuple[list[PlannedMix], Places]:
    """The mixes to perform, each once, and which of them each version is.

    The main mix comes first where any of them needs it.
    """
    parts: list[PlannedMix] = []
    places: Places = {}
    if any(order.needs_main for order in orders):
        parts.append(PlannedMix(main))
    for order in orders:
        before: tuple[int, ...] = ()
        for version in order.versions:
            part = _part_of(version, before, main)
            if part not in parts:
                parts.append(part)
            index = places[version.variant.name, version.stem] = parts.index(part)
            if version.in_exact_set:
                before = (*before, index)
    return parts, places


def _part_of(version: Version, before: tuple[int, ...], main: Plan) -> PlannedMix:
    if not version.follows_main:
        return PlannedMix(version.plan)
    if version.plan == main and not version.in_exact_set:
        return PlannedMix(main)
    if not version.in_exact_set:
        return PlannedMix(version.plan, 0)
    return PlannedMix(version.plan, 0, before, version.variant.name)
