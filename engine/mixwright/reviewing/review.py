"""A review from sheet to page: hear, check, perform all there is to listen to, write."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from mixwright.audio.staged import LONGEST_SOUND_PATH, aside, check_name, told_as_problem
from mixwright.checks import Checked, run_checks
from mixwright.measuring.hearing import gather
from mixwright.rendering.plan import PlanOf
from mixwright.rendering.session import Session
from mixwright.reviewing.data import ReviewData
from mixwright.reviewing.gather import review_data
from mixwright.reviewing.listening import FINISHED, listened
from mixwright.reviewing.page import PAGE, refuse_strangers_page, write_page
from mixwright.reviewing.sounds import FOLDER, LONGEST_FILE
from mixwright.sheet import Sheet


@dataclass(frozen=True)
class Reviewed:
    """A page that was written, what it tells, and the check that is on it."""

    page: Path
    data: ReviewData
    checked: Checked


def default_folder(sheet: Sheet) -> Path:
    """Return where a review goes that was not told: ``review`` beside the sheet."""
    return sheet.folder / "review"


def review_sheet(
    sheet: Sheet, before: tuple[str, Sheet] | None, plan_of: PlanOf, folder: Path, session: Session
) -> Reviewed:
    """Write the review page of a sheet into `folder`.

    `before` is the version to compare with, and its name. Raises ProblemError.
    """
    check_name(folder / PAGE)
    check_name(folder / FOLDER, longest=LONGEST_SOUND_PATH - LONGEST_FILE)
    refuse_strangers_page(folder / PAGE)
    still, finished = plan_of(sheet, "bus"), plan_of(sheet, FINISHED)
    heard = gather(sheet, still, finished, session)
    checked = run_checks(heard)
    with told_as_problem(folder):
        folder.mkdir(parents=True, exist_ok=True)
    with (
        aside(folder) as room,
        listened(sheet, before, plan_of, room, session) as listening,
    ):
        data = review_data(heard, checked, listening, before)
        page = write_page(folder, data, listening.write(room), session)
    return Reviewed(page, data, checked)
