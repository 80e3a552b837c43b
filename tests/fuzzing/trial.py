"""One trial, in this process: an exception is a fault that the case found, never of the run."""

from __future__ import annotations

import os
import tempfile
import traceback
from pathlib import Path
from typing import Any

from fuzzing.campaign import Campaign, Outcome


def tried(campaign: Campaign, case: Any) -> Outcome:
    """Try a case in a folder of its own, with a cache of its own, and clear up."""
    before = dict(os.environ)
    with tempfile.TemporaryDirectory(prefix="mixwright-fuzz-", ignore_cleanup_errors=True) as name:
        home = Path(name).resolve() / "home"
        home.mkdir()
        os.environ["MIXWRIGHT_CACHE"] = str(Path(name).resolve() / "cache")
        where = os.getcwd()
        try:
            return campaign.attempt(case, home)
        except Exception:  # noqa: BLE001 - whatever gets out is what is looked for
            return Outcome({}, f"an exception got out:\n{traceback.format_exc()}")
        finally:
            os.chdir(where)
            os.environ.clear()
            os.environ.update(before)
