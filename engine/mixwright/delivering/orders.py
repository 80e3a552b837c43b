"""Orders: what is to be made of each variant, how it is finished, and what it all depends on."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from mixwright.audio import StemInfo
from mixwright.delivering.variants import Version, versions_of
from mixwright.meters.targets import TARGETS
from mixwright.problem import Problem, ProblemError
from mixwright.rendering.cache import FOREIGN, SOUND
from mixwright.rendering.identity import Contents, Identity, Sounds, identity
from mixwright.rendering.plan import Plan, PlanOf, sounding
from mixwright.sheet import Labels, Loudness, Sheet, Variant
from mixwright.sheet.deliverables import MAIN
from mixwright.sheet.file_names import file_name
from mixwright.sheet.nearest import similar
from mixwright.version import __version__


@dataclass(frozen=True)
class Aim:
    """The loudness and true peak that a mix is brought to; no limit to the peak is None."""

    integrated_lufs: float
    true_peak_dbtp: float | None


@dataclass(frozen=True)
class Finish:
    """How a mix is finished, in this order: loudness, cut, fades. None leaves it as it is."""

    aim: Aim | None = None
    head_s: float | None = None
    tail_s: float | None = None
    fade_in_s: float = 0.0
    fade_out_s: float = 0.0

    @property
    def cuts(self) -> bool:
        """Whether head or tail are cut to measure."""
        return self.head_s is not None or self.tail_s is not None


@dataclass(frozen=True)
class Order:
    """A variant as it is to be delivered.

    `finish` is its own, `main_finish` that of the main mix, which versions that follow it go by.
    `digest` stands for everything that its files depend on.
    """

    variant: Variant
    versions: tuple[Version, ...]
    finish: Finish
    main_finish: Finish
    labels: Labels
    rates_hz: tuple[int, ...]
    files: Mapping[tuple[str | None, int, str], str]
    digest: str = ""

    @property
    def follows_main(self) -> bool:
        """Whether its dynamics go by the main mix."""
        return any(version.follows_main for version in self.versions)

    @property
    def cut_by_main(self) -> bool:
        """Whether head and tail are those of the main mix: so parts stay in time with it."""
        return self.finish.cuts and (self.follows_main or self.variant.is_split)

    @property
    def needs_main(self) -> bool:
        """Whether the main mix has to be made for it."""
        return self.follows_main or self.cut_by_main

    @property
    def stems(self) -> tuple[StemInfo, ...]:
        """Every recording that its mixes read, each once."""
        return stems_of(version.plan for version in self.versions)


@dataclass(frozen=True)
class Orders:
    """All orders of a sheet, and the plan of its main mix."""

    main: Plan
    all: tuple[Order, ...]

    def wanted(self, names: Sequence[str]) -> tuple[Order, ...]:
        """Return the orders of these variants, all of them for none; ProblemError for others."""
        known = [order.variant.name for order in self.all]
        problems = [
            Problem(
                "usage/unknown-variant",
                f"unknown variant '{name}', expected one of: {', '.join(known)}",
                help=similar("variant", name, known),
            )
            for name in names
            if name not in known
        ]
        if problems:
            raise ProblemError(problems)
        return tuple(order for order in self.all if not names or order.variant.name in names)

    @property
    def stems(self) -> tuple[StemInfo, ...]:
        """Every recording that is read for any of them, each once."""
        plans = [version.plan for order in self.all for version in order.versions]
        if any(order.needs_main for order in self.all):
            plans.append(self.main)
        return stems_of(plans)


def stems_of(plans: Iterable[Plan]) -> tuple[StemInfo, ...]:
    """Return the recordings that plans read, each once."""
    return tuple(dict.fromkeys(info for plan in plans for info in plan.sound_files))


def orders_of(sheet: Sheet, plan_of: PlanOf) -> Orders:
    """Return what a sheet orders: its variants, or the main mix alone where it has none.

    `plan_of` plans a sheet; raises ProblemError for stems that can't be read.
    """
    variants = sheet.variants or (Variant(MAIN),)
    main_finish = next((_finish_of(v) for v in variants if v.name == MAIN), Finish())
    orders = [_order(sheet, variant, main_finish, plan_of) for variant in variants]
    return Orders(sounding(plan_of(sheet)), tuple(orders))


def _order(sheet: Sheet, variant: Variant, main_finish: Finish, plan_of: PlanOf) -> Order:
    versions = tuple(versions_of(sheet, variant, plan_of))
    rates_hz = variant.sample_rates_hz or (sheet.song.sample_rate_hz,)
    files = {
        (version.stem, rate_hz, form): file_name(sheet, variant, form, rate_hz, version.stem)
        for version in versions
        for rate_hz in rates_hz
        for form in variant.formats
    }
    exact = any(version.in_exact_set for version in versions)
    finish = main_finish if exact else _finish_of(variant)
    labels = variant.labels.over(sheet.release.labels)
    return Order(variant, versions, finish, main_finish, labels, rates_hz, files)


def _finish_of(variant: Variant) -> Finish:
    v = variant
    aim = None if v.loudness is None else _aim_of(v.loudness)
    return Finish(aim, v.head_s, v.tail_s, v.fade_in_s, v.fade_out_s)


def _aim_of(loudness: Loudness) -> Aim:
    """The figures of a standard, those that are given in their place."""
    target = None if loudness.standard is None else TARGETS[loudness.standard]
    lufs, peak_dbtp = loudness.integrated_lufs, loudness.true_peak_dbtp
    if target is not None:
        lufs = target.integrated_lufs if lufs is None else lufs
        peak_dbtp = target.true_peak_dbtp if peak_dbtp is None else peak_dbtp
    assert lufs is not None  # the sheet was checked for it
    return Aim(lufs, peak_dbtp)


def digest_of(order: Order, sheet: Sheet, main: Plan, contents: Contents) -> str:
    """Return the hash of everything that the files of an order depend on, this version too."""
    variant, lead = order.variant, Sounds(main, contents)
    mixes: list[tuple[str | None, bool, Identity]] = []
    before: tuple[Sounds, ...] = ()
    for version in order.versions:
        sounds = Sounds(version.plan, contents, lead if version.follows_main else None, before)
        mixes.append((version.stem, version.in_exact_set, sounds.mix))
        before = (*before, sounds) if version.in_exact_set else before
    return identity(
        contents,
        (__version__, SOUND),
        mixes,
        (lead.mix, order.main_finish) if order.needs_main else None,
        order.finish,
        (variant.formats, variant.dither, order.rates_hz, sorted(order.files.values())),
        (sheet.song.title, sheet.song.artist, variant.name, order.labels),
    ).removeprefix(FOREIGN)
