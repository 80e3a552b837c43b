"""The review page in a real browser, opened from disk: what is heard, shown, and worked by keys.

Sounds are clicks a tenth of a second apart, each with a mark that tells the source, so that what
comes out of the page can be compared with what ought to, sample by sample. The pictures in the
documentation are made here too:

    REVIEW_PICTURES=docs python -m pytest tests/test_review_page.py -k pictures
"""

from __future__ import annotations

import math
import os
import shutil
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from mixwright.reviewing.data import SectionLine
from mixwright.reviewing.page import page_text, write_page
from mixwright.reviewing.sounds import PageSound
from mixwright.words import figure
from review_sample import AMPLITUDES, CLICK_EVERY_S, RATE_HZ, mark_of, review, write_sources

sync_api = pytest.importorskip("playwright.sync_api")
CHROMIUM = shutil.which("chromium")
if CHROMIUM is None:
    pytest.skip("needs the browser chromium", allow_module_level=True)

SWITCHES = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-sync",
    "--disable-background-networking",
    "--disable-component-update",
]
WIDE, PHONE = {"width": 1280, "height": 900}, {"width": 360, "height": 740}
EVERY = round(CLICK_EVERY_S * RATE_HZ)
START_GAIN = 10 ** (-18 / 20)
# All are turned down to the quietest.
MATCHED = min(AMPLITUDES.values())
HEARD = 32768  # samples at a time


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with sync_api.sync_playwright() as playwright:
        started = playwright.chromium.launch(executable_path=CHROMIUM, args=SWITCHES)
        yield started
        started.close()


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("review")
    return write_page(folder / "page", review(), write_sources(folder))


@pytest.fixture
def address(page: Path) -> str:
    return page.as_uri()


class Visit:
    """A page as a listener has it open, and all that the browser had to say about it."""

    def __init__(self, browser: Any, address: str, size: dict[str, int], **more: Any) -> None:
        self.context = browser.new_context(viewport=size, **more)
        self.page = self.context.new_page()
        self.said: list[str] = []
        self.asked_for: list[str] = []
        self.page.on("console", lambda message: self.said.append(message.text))
        self.page.on("pageerror", lambda error: self.said.append(str(error)))
        self.page.on("request", lambda request: self.asked_for.append(request.url))
        self.address = address
        self.page.goto(address)

    def __enter__(self) -> Visit:
        return self

    def __exit__(self, *exception: object) -> None:
        self.context.close()

    def get(self, expression: str) -> Any:
        """Evaluate JavaScript; `r` is the review, `p` its player."""
        return self.page.evaluate(
            f"() => {{ const r = mixwrightReview, p = r.player; return {expression}; }}"
        )

    def until(self, expression: str) -> None:
        """Wait for it to be true."""
        self.page.wait_for_function(
            f"() => {{ const r = mixwrightReview, p = r.player; return {expression}; }}",
            timeout=10_000,
        )

    def text(self, selector: str) -> str:
        return str(self.page.locator(selector).inner_text())

    def play(self) -> None:
        """Press play, as a listener does, and begin to listen in on what comes out."""
        self.page.click("#play")
        self.until("p.playing && p.position > 0")
        self.get(
            "(window.ear = new AnalyserNode(p.context, {fftSize: 32768, channelCount: 2}), "
            "p.output.connect(ear), null)"
        )

    def choose(self, name: str) -> None:
        """Press the button in the bar and wait until it is heard."""
        self.page.click(f".bar [data-source='{name}']")
        self.until(f"p.chosen === '{name}'")

    def heard(self, seconds: float = 0.0) -> tuple[np.ndarray, float]:
        """Listen for some time; return what came out last and where the song is at its end."""
        self.page.wait_for_timeout(1000 * seconds)
        samples, position = self.get(
            f"(() => {{ const samples = new Float32Array({HEARD}); "
            "ear.getFloatTimeDomainData(samples); return [samples.join(' '), p.position]; })()"
        )
        return np.array(samples.split(), dtype=float), position


def clicks_in(samples: np.ndarray) -> np.ndarray:
    """The places of the larger clicks."""
    return np.flatnonzero(samples > 0.75 * samples.max())


def whose(samples: np.ndarray, click: int) -> str:
    """The source that a click is from."""
    loudest = max(AMPLITUDES, key=lambda name: abs(samples[click + mark_of(name)]))
    assert samples[click + mark_of(loudest)] > 0.3 * samples[click]
    return loudest


@pytest.fixture(scope="module")
def opened(browser: Any, page: Path) -> Iterator[Visit]:
    with Visit(browser, page.as_uri(), WIDE) as opened:
        yield opened


@pytest.fixture
def visit(opened: Visit) -> Iterator[Visit]:
    """The page as it is when it has just been opened; checked when it is left."""
    opened.page.goto("about:blank")
    opened.asked_for.clear()
    opened.page.goto(opened.address)
    yield opened
    assert opened.said == []
    assert all(url.startswith("file:") for url in opened.asked_for)


def test_sources_switch_in_sync_without_a_gap(visit: Visit) -> None:
    visit.play()
    visit.choose("eq")
    visit.choose("balance")
    visit.page.wait_for_timeout(400)
    # Both are in memory: the switch is at once.
    visit.page.click(".bar [data-source='eq']")
    samples, position = visit.heard(0.25)
    places = clicks_in(samples)
    assert set(np.diff(places)) == {EVERY}
    names = [whose(samples, place) for place in places if place + mark_of("reference") < HEARD]
    assert names == sorted(names, key=["balance", "eq"].index)
    assert set(names) == {"balance", "eq"}
    # What is shown is what is heard, to 20 ms: clicks are at whole tenths of a second.
    shown = position - (HEARD - places[-1]) / RATE_HZ
    assert abs(shown / CLICK_EVERY_S - round(shown / CLICK_EVERY_S)) * CLICK_EVERY_S < 0.020


def test_a_source_that_has_to_be_loaded_first_comes_in_step(visit: Visit) -> None:
    visit.play()
    visit.page.click(".bar [data-source='dynamics']")
    visit.until("p.chosen === 'dynamics'")
    samples, _ = visit.heard(0.3)
    assert set(np.diff(clicks_in(samples))) == {EVERY}
    assert whose(samples, clicks_in(samples)[-2]) == "dynamics"


def test_all_are_as_loud_as_the_quietest_and_it_starts_low(visit: Visit) -> None:
    visit.play()
    peaks = {}
    # One is over full scale, one is only five seconds long and has begun again.
    visit.get("p.seek(6)")
    for name in ("balance", "automation", "loud", "reference"):
        visit.choose(name)
        samples, _ = visit.heard(0.72)
        peaks[name] = 20 * math.log10(samples.max() / (MATCHED * START_GAIN))
        assert whose(samples, clicks_in(samples)[1]) == name
        shown_db = 20 * math.log10(MATCHED / AMPLITUDES[name])
        assert visit.text("#heard-gain") == f"matched by {figure(shown_db, decimals=1)} dB"
    assert peaks == pytest.approx(dict.fromkeys(peaks, 0.0), abs=0.02)


def test_the_level_never_goes_above_what_was_delivered(visit: Visit) -> None:
    assert visit.page.locator("#level").input_value() == "-18"
    visit.page.focus("#level")
    visit.page.keyboard.press("End")
    visit.page.keyboard.press("+")
    assert (visit.get("p.levelDb"), visit.text("#level-text")) == (0, "0 dB")
    assert visit.get("[...p.sources.keys()].every((id) => p.sources.get(id).gain_db <= 0)")


def test_no_more_than_six_sources_stay_in_memory(visit: Visit) -> None:
    visit.play()
    for name in AMPLITUDES:
        visit.choose(name)
    assert visit.get("p.sounds.ready.size") == 6
    assert visit.get("p.voices.size") == 6
    visit.choose("balance")
    assert visit.page.locator("[data-ready='balance']").inner_text() == "in memory"
    assert visit.page.locator("[data-ready='eq']").inner_text() == "loads when chosen"


def test_a_section_is_looped_without_a_seam(visit: Visit) -> None:
    visit.get("p.seek(9.7)")
    visit.page.keyboard.press("l")
    assert visit.page.locator("#loop").evaluate("e => e.selectedOptions[0].text") == "verse 1"
    visit.play()
    visit.until("p.position < 6")
    samples, position = visit.heard(0.3)
    assert 4.0 < position < 5.0
    assert set(np.diff(clicks_in(samples))) == {EVERY}
    visit.page.keyboard.press("ArrowLeft")
    assert 4.0 <= visit.get("p.position") < 4.5
    visit.page.select_option("#loop", label="outro")
    assert visit.get("p.loop.start") == 20.0
    visit.page.keyboard.press("l")
    assert visit.get("p.loop") is None


def test_a_blind_round_hides_names_and_counts(visit: Visit) -> None:
    names = visit.get("[...p.sources.values()].map((source) => source.label)")
    press = visit.page.keyboard.press
    press("b")
    visit.until("r.blind !== null")
    shown = visit.text(".bar")
    assert not any(name in shown for name in names)
    assert "gain hidden" in shown
    assert visit.get("r.blind.order.toSorted()") == ["automation", "previous"]
    press("p")
    assert visit.text("#status") == "listen to every letter first"
    preferred = {"automation": 0, "previous": 0}
    press("Space")
    for keys in ("12", "21", "121", "12"):
        visit.until("p.playing")
        for key in keys:
            press(key)
            visit.until(f"p.chosen === r.blind.order[{int(key) - 1}]")
        if keys == "12" and visit.text("#blind-count") == "round 4":
            press("n")
        else:
            preferred[visit.get("p.chosen")] += 1
            press("p")
    assert visit.text("#blind-count") == "round 5"
    visit.page.click("#blind-end")
    labels = {"automation": "through automation", "previous": "the version before"}
    rows = dict(row.split("\t") for row in visit.text("#blind-rows").splitlines())
    assert rows == {labels[name]: str(count) for name, count in preferred.items()}
    # Two-sided binomial: 2 * (1/8) for three of three, certain for two of three.
    chance = 25 if 3 in preferred.values() else 100
    assert visit.text("#blind-words") == (
        "4 rounds, 1 without a preference. "
        f"Tossing a coin would come out at least as clear in {chance} % of tries."
    )
    assert "the version before" in visit.text(".bar")


def test_letters_are_dealt_fairly(visit: Visit) -> None:
    dealt = visit.get(
        "(() => { const count = {}; for (let i = 0; i < 6000; i += 1) { "
        "const order = new BlindTest(['a', 'b', 'c']).order.join(''); "
        "count[order] = (count[order] ?? 0) + 1; } return count; })()"
    )
    # Six orders, 1000 of each; a standard deviation is 29.
    assert len(dealt) == 6
    assert all(abs(count - 1000) < 175 for count in dealt.values())


def test_findings_jump_to_their_moment(visit: Visit) -> None:
    visit.page.click("text=Go to 0:10.3")
    assert visit.get("p.position") == 10.3
    assert visit.text("#section") == "chorus 1"
    visit.page.locator("#steps >> text=Loop it").last.click()
    assert visit.get("[p.loop.start, p.loop.end]") == [10.3, 12.9]
    assert visit.page.locator("#loop").evaluate("e => e.selectedOptions[0].text") == (
        "0:10.3 to 0:12.9"
    )
    visit.page.locator("#chart-true_peak_dbtp .plot").click(position={"x": 5, "y": 30})
    assert 0 <= visit.get("p.position") < 0.5
    assert visit.get("p.loop") is None


def test_it_works_by_keyboard(visit: Visit) -> None:
    press = visit.page.keyboard.press
    press("Space")
    visit.until("p.playing")
    press("3")
    visit.until("p.chosen === 'eq'")
    before = visit.get("p.position")
    press("ArrowRight")
    assert visit.get("p.position") >= before + 5
    press("Space")
    assert not visit.get("p.playing")
    press("?")
    assert visit.page.locator("#help").is_visible()
    press("Space")  # belongs to the dialog now
    assert not visit.get("p.playing")
    press("Escape")
    # A button reached by keyboard keeps its space bar; one that was clicked does not.
    visit.page.focus("#help-open")
    press("Tab")
    press("Shift+Tab")
    outline = "getComputedStyle(document.activeElement).outlineStyle"
    assert visit.get(outline) == "solid"
    press("Space")
    assert visit.page.locator("#help").is_visible()
    visit.page.uncheck("#keys")
    visit.page.click("#help-close")
    press("5")
    assert visit.get("p.wanted") == "eq"


def test_it_ends_at_the_end(visit: Visit) -> None:
    visit.get("p.seek(23.8)")
    visit.play()
    visit.until("!p.playing")
    assert visit.get("[p.position, p.voices.size]") == [0, 0]
    assert visit.text("#play") == "Play"


def test_everything_pressable_has_a_name_and_every_id_is_single(visit: Visit) -> None:
    nameless = visit.get(
        "[...document.querySelectorAll('button, [role=img], [role=region], a')].filter((e) => "
        "!(e.getAttribute('aria-label') ?? e.textContent).trim()).map((e) => e.outerHTML)"
    )
    assert nameless == []
    ids = visit.get("[...document.querySelectorAll('[id]')].map((e) => e.id)")
    assert len(ids) == len(set(ids))
    assert visit.get(
        "[...document.querySelectorAll('input, select')].every((e) => "
        "e.labels.length || e.getAttribute('aria-label'))"
    )


@pytest.mark.parametrize("width", [320, 360])
def test_a_phone_needs_no_sideways_scrolling(browser: Any, address: str, width: int) -> None:
    with Visit(browser, address, {"width": width, "height": 740}) as visit:
        visit.get("document.querySelectorAll('details').forEach((e) => { e.open = true; })")
        assert visit.get("document.documentElement.scrollWidth") == width
        covered = visit.get("document.querySelector('.bar').offsetHeight / innerHeight")
        assert covered < 0.3
        assert visit.said == []


def test_at_four_times_zoom_the_bar_leaves_room_to_read(browser: Any, address: str) -> None:
    with Visit(browser, address, {"width": 320, "height": 256}) as visit:
        assert visit.get("getComputedStyle(document.querySelector('.bar')).position") == "static"


def test_a_sound_that_is_missing_is_said(browser: Any, page: Path, tmp_path: Path) -> None:
    alone = shutil.copy(page, tmp_path)
    with Visit(browser, Path(alone).as_uri(), WIDE) as visit:
        visit.page.click(".bar [data-source='eq']")
        visit.until("p.fault !== ''")
        (script,) = (page.parent / "audio").glob("eq-*.js")
        words = f"audio/{script.name} can't be read; it has to stay beside this page"
        assert visit.text("#status") == words
        assert visit.get("[p.wanted, p.chosen]") == ["balance", "balance"]


def test_text_of_a_sheet_stays_text(browser: Any, tmp_path: Path) -> None:
    """Also inside the data of the page, where it must not end the element it is in."""
    nasty = "<script>window.ran = 1</script></script><!-- \u2028 & \"q' <img src=x onerror=ran=1>"
    sample = review()
    moving = tuple(replace(one, name=nasty) for one in sample.timeline.automation)
    hostile = replace(
        sample,
        title=nasty,
        artist=nasty,
        against=nasty,
        sections=(SectionLine(nasty, 0.0, 24.0),),
        sources=tuple(replace(one, label=nasty, note=nasty) for one in sample.sources),
        timeline=replace(sample.timeline, automation=moving),
        tracks=tuple(replace(one, name=nasty, role=nasty) for one in sample.tracks),
        changes=tuple(replace(one, text=nasty, why=nasty) for one in sample.changes or ()),
    )
    sounds = {source.id: PageSound(source.id, 0.0) for source in sample.sources}
    page = tmp_path / "index.html"
    page.write_text(page_text(hostile, sounds), "utf-8")
    with Visit(browser, page.as_uri(), PHONE) as visit:
        seen = nasty.replace("\u2028 ", "")  # what parts lines is a blank, and one is enough
        assert visit.page.locator("h1").evaluate("e => e.textContent") == seen
        assert visit.get("[p.data.title, typeof window.ran]") == [seen, "undefined"]
        assert visit.get("document.images.length") == 0
        assert visit.get("document.documentElement.scrollWidth") == PHONE["width"]
        assert visit.said == []


def test_pictures_for_the_documentation(browser: Any, address: str, tmp_path: Path) -> None:
    folder = Path(os.environ.get("REVIEW_PICTURES", tmp_path))
    grounds = {}
    for name, size, scheme in (
        ("review_page", WIDE, "light"),
        ("review_page_dark", WIDE, "dark"),
        ("review_page_phone", PHONE, "light"),
    ):
        with Visit(browser, address, size, color_scheme=scheme) as visit:
            visit.get("(p.seek(12), p.setLoop({start: 10, end: 16, name: 'chorus 1'}))")
            part = "#song" if name == "review_page_dark" else "#listen"
            if name == "review_page_dark":
                visit.page.locator(part).evaluate("e => e.scrollIntoView({behavior: 'instant'})")
            visit.page.screenshot(path=folder / f"{name}.png")
            grounds[name] = visit.get("getComputedStyle(document.body).backgroundColor")
            assert visit.said == []
    assert grounds["review_page"] == "rgb(251, 248, 241)"
    assert grounds["review_page_dark"] == "rgb(22, 24, 26)"
    assert all((folder / f"{name}.png").stat().st_size > 20_000 for name in grounds)
