"""Pages of songs with hostile words, in a browser: none of the words runs, shows or fetches."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

import mixwright
from conftest import noise
from fuzzing.words_songs import PIECES, TEXTS, sheet_of, without_controls
from mixwright.report.compared_html import compared_as_html

sync_api = pytest.importorskip("playwright.sync_api")
CHROMIUM = shutil.which("chromium")
if CHROMIUM is None:
    pytest.skip("needs the browser chromium", allow_module_level=True)

SWITCHES = ["--headless", "--no-sandbox", "--disable-gpu", "--no-first-run"]
HOSTILE = (
    "".join(piece for piece in PIECES if "ran=1" in piece or "javascript" in piece),
    "</title></style></textarea></script><script>window.ran=1</script>",
    '"><img src="http://b.example/x.png" onerror="alert(window.ran=1)"><svg/onload=window.ran=1>',
    "{{7*7}}${7*7}<a href='javascript:window.ran=1'>x</a>\u202e\x1b[31m",
)


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with sync_api.sync_playwright() as playwright:
        started = playwright.chromium.launch(executable_path=CHROMIUM, args=SWITCHES)
        yield started
        started.close()


@pytest.fixture(scope="module", params=range(len(HOSTILE)))
def pages(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """A review page and a comparison of a song in which every word is hostile."""
    import soundfile

    folder, word = tmp_path_factory.mktemp("song"), HOSTILE[request.param]
    case: dict[str, Any] = {key: f"{key} {word}" for key in TEXTS}
    case |= {key: without_controls(case[key]) for key in ("album", "comment")}
    stem = "".join(c for c in word if c.isprintable() and c != "/")[:80]
    case |= {"stem": f"{stem}.wav", "pattern": "{variant}", "ascii": True}
    for count, name in enumerate((case["stem"], "band.wav")):
        soundfile.write(folder / name, noise(count, 1.5), 44100)
    sheet, old = folder / "mix.yaml", folder / "old.yaml"
    sheet.write_text(sheet_of(case), "utf-8")
    old.write_text(sheet_of(case, "old"), "utf-8")
    reviewed = mixwright.review(sheet, against=old)
    compared = folder / "compared.html"
    compared.write_text(compared_as_html(mixwright.compare(old, sheet, only_sheet=True)), "utf-8")
    return [reviewed.page, compared]


def test_no_word_runs_shows_or_fetches_anything(browser: Any, pages: list[Path]) -> None:
    for path in pages:
        context = browser.new_context()
        page = context.new_page()
        said: list[str] = []
        asked: list[str] = []
        page.on("console", lambda message, said=said: said.append(message.text))
        page.on("pageerror", lambda error, said=said: said.append(str(error)))
        page.on("dialog", lambda dialog, said=said: (said.append(dialog.message), dialog.dismiss()))
        page.on("request", lambda request, asked=asked: asked.append(request.url))
        page.goto(path.as_uri())
        if page.query_selector("[data-source]"):
            for button in page.query_selector_all(".bar [data-source]"):
                button.click()
        # Whatever a pointer or the focus may set off.
        page.evaluate(
            "document.querySelectorAll('*').forEach(one => { for (const kind of "
            "['mouseover', 'focus', 'load', 'error']) one.dispatchEvent(new Event(kind)) })"
        )
        page.wait_for_timeout(300)
        assert page.evaluate("window.ran === undefined")
        assert said == []
        assert [url for url in asked if not url.startswith("file://")] == []
        assert (
            page.query_selector_all("[onerror], [onload], [onmouseover], a[href^=javascript]") == []
        )
        assert "ran=1" in page.inner_text("body")
        context.close()
