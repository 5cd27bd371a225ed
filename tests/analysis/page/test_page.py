"""The page as a reader has it: in a browser, on a phone, on paper, with a keyboard."""

import json
import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from analysis import energy, load
from analysis.outputs import page
from analysis.outputs.sections import Section
from analysis.report import EnergyReport

pytestmark = pytest.mark.timeout(120)
HOSTILE = '</script><script>window.hacked=1</script><img src=x onerror="hacked=1">\u202e😀=cmd'
SIZES = [(1280, 800, False), (1280, 800, True), (390, 844, False), (390, 844, True)]


@pytest.fixture
def report(run_path: Path) -> EnergyReport:
    found: EnergyReport = energy(load(run_path))
    return found


@pytest.fixture
def written(report: EnergyReport, tmp_path: Path) -> Path:
    section = Section(
        title="Checks", lines=("All alike.",), head=("item", "found"), rows=(("saver", "off"),)
    )
    path = tmp_path / "report.html"
    path.write_text(page.render(report, [section]), "utf-8")
    return path


def shift(report: EnergyReport, n_phones: int, n_points: int = 600) -> EnergyReport:
    """A long run of many phones, all curves full of jumps."""
    rng = np.random.default_rng(7)
    t_s = (np.arange(n_points) + 0.5) * 8 * 3600 / n_points
    phones = []
    for number in range(n_phones):
        one = report.phones[number % len(report.phones)]
        power = rng.uniform(100, 9000, n_points)
        traces = replace(
            one.traces,
            t_s=t_s,
            power_mw=power,
            power_low_mw=power * 0.3,
            power_high_mw=power * 1.7,
            level_pct=rng.uniform(0, 100, n_points),
            temperature_c=rng.uniform(20, 45, n_points),
            temperature_low_c=rng.uniform(15, 20, n_points),
            temperature_high_c=rng.uniform(45, 50, n_points),
            energy_mwh=np.cumsum(power) / 75,
        )
        phones.append(replace(one, phone=f"{one.phone[:-2]}-{number + 1}", traces=traces))
    return replace(report, phones=tuple(phones))


@pytest.mark.parametrize(("width", "height", "dark"), SIZES)
def test_it_opens_without_complaint_request_overflow_or_barrier(
    browser: Any, axe: str, written: Path, width: int, height: int, dark: bool
) -> None:
    browser.open(written, width, height, dark=dark)
    assert browser.complaints == []
    assert browser.requests == [written.as_uri()]
    assert browser.run("document.querySelectorAll('details[open]').length") == 0
    for _ in ("closed", "open"):
        assert browser.run("document.documentElement.scrollWidth") <= width
        browser.run("document.querySelectorAll('details').forEach(d => { d.open = true })")
    beyond = browser.run(
        "[...document.querySelectorAll('body *')].filter(e => !e.closest('.table') && "
        "e.getBoundingClientRect().right > innerWidth + 1).map(e => e.outerHTML.slice(0, 80))"
    )
    assert beyond == []
    browser.run(axe)
    rules = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
    found = browser.run(
        f"axe.run(document, {{runOnly: {json.dumps(rules)}}}).then(r => "
        "({n: r.passes.length, bad: r.violations.map(v => v.id + ': ' + v.nodes[0].html)}))"
    )
    assert found["bad"] == []
    assert found["n"] > 15


def test_values_are_read_by_keyboard_and_by_pointer(
    browser: Any, written: Path, report: EnergyReport
) -> None:
    browser.open(written, 1280, 800)
    first = browser.run("document.querySelector('figure[data-key] input').focus()")
    assert first is None
    before = browser.run("document.activeElement.getAttribute('aria-valuetext')")
    assert "alder-1" in before
    assert "mW" in before
    for _ in range(3):
        browser.press("ArrowRight")
    after = browser.run("document.activeElement.getAttribute('aria-valuetext')")
    assert after != before
    assert after.startswith("0:0")
    box = browser.run(
        "(() => { const s = document.querySelector('figure[data-key=level] .wide svg');"
        "s.scrollIntoView(); const b = s.getBoundingClientRect();"
        "return [b.left, b.top, b.width, b.height] })()"
    )
    browser.hover(box[0] + box[2] * 0.5, box[1] + box[3] * 0.5)
    shown = browser.run("document.querySelector('figure[data-key=level] output').innerText")
    assert "navigation" in shown or "voice call" in shown
    assert "cedar-1" in shown
    assert "%" in shown
    lines = browser.run(
        "[...document.querySelectorAll('.wide .cursor')].map(l => l.getAttribute('x1'))"
    )
    assert len(lines) == 4
    assert all(lines), "one moment for all charts"


def test_what_is_read_is_what_was_drawn(browser: Any, written: Path, report: EnergyReport) -> None:
    browser.open(written, 1280, 800)
    data = browser.run("JSON.parse(document.getElementById('data').textContent)")
    for shown, phone in zip(data["phones"], report.phones, strict=True):
        known = np.array([np.nan if x is None else x for x in shown["power"]])
        np.testing.assert_allclose(known, phone.traces.power_mw, atol=0.5)
        assert shown["name"] == phone.phone


def test_it_prints_on_paper(browser: Any, written: Path) -> None:
    browser.open(written, 1280, 800)
    paper = browser.paper()
    assert paper.startswith(b"%PDF")
    browser.ask("Emulation.setEmulatedMedia", media="print")
    seen = browser.run(
        "['.reader', '.narrow', '.wide'].map(c => "
        "getComputedStyle(document.querySelector(c)).display)"
    )
    assert seen == ["none", "none", "block"]
    paperwhite = browser.run("getComputedStyle(document.body).backgroundColor")
    assert paperwhite == "rgb(252, 251, 248)"


def test_the_budget_is_shown_and_its_lines_are_folded_away(
    browser: Any, written: Path, report: EnergyReport
) -> None:
    browser.open(written, 1280, 800)
    for phone in report.phones:
        table = f"document.querySelector('[aria-label=\"Uncertainty budget of {phone.phone}\"]')"
        assert not browser.run(f"{table}.checkVisibility()")
        browser.run(f"{table}.closest('details').querySelector('summary').click()")
        assert browser.run(f"{table}.checkVisibility()")
        columns = browser.run(
            f"[...{table}.querySelectorAll('tbody tr')].map(r => "
            "[...r.querySelectorAll('td')].map(c => c.innerText))"
        )
        last = browser.run(f"[...{table}.querySelectorAll('tfoot td')].map(c => c.innerText)")
        assert len(columns) == len({line.name for s in phone.segments for line in s.amount.budget})
        for k, text in enumerate(last):
            together = float(text.replace("\u202f", ""))
            parts = [float(row[k].replace("\u202f", "")) for row in columns if row[k] != "–"]
            assert math.hypot(*parts) == pytest.approx(together, rel=0.02)
            assert together == pytest.approx(phone.segments[k].amount.u_mwh, rel=0.01)
    said = browser.run("document.body.innerText")
    assert "fused: current times voltage" in said
    assert "level: one power per segment" in said


def test_the_end_of_a_table_is_printed_once_and_what_is_folded_is_not_lost(
    browser: Any, written: Path
) -> None:
    browser.open(written, 1280, 800)
    browser.ask("Emulation.setEmulatedMedia", media="print")
    assert browser.run("getComputedStyle(document.querySelector('tfoot')).display") == (
        "table-row-group"
    )
    known = "document.querySelector('details:not(.lines) li')"
    assert browser.run(f"{known}.checkVisibility({{contentVisibilityAuto: true}})")
    assert browser.run(f"{known}.getBoundingClientRect().height") > 5
    assert not browser.run("document.querySelector('details.lines').checkVisibility()")


def test_hostile_words_stay_words(browser: Any, report: EnergyReport, tmp_path: Path) -> None:
    segments = tuple(
        replace(s, segment=HOSTILE, flags=(HOSTILE,), facts=(HOSTILE,))
        for s in report.phones[0].segments
    )
    phone = replace(
        report.phones[0], segments=segments, model=HOSTILE, notes=(HOSTILE,), facts=(HOSTILE,)
    )
    hostile = replace(report, phones=(phone, *report.phones[1:]), title=HOSTILE, run=HOSTILE)
    path = tmp_path / "report.html"
    path.write_text(page.render(hostile, [Section(title=HOSTILE, lines=(HOSTILE,))]), "utf-8")
    browser.open(path, 390, 844)
    assert browser.complaints == []
    assert browser.requests == [path.as_uri()]
    assert browser.run("window.hacked") is None
    assert browser.run("document.images.length") == 0
    heading = browser.run("document.querySelector('h1').innerText")
    assert "<script>window.hacked=1</script>" in heading
    assert "😀" in heading
    assert "\u202e" not in browser.run("document.body.innerText")
    assert browser.run("document.documentElement.scrollWidth") <= 390


def test_eight_hours_of_four_phones_fit_into_the_limit(report: EnergyReport) -> None:
    assert len(page.render(shift(report, 4)).encode()) <= 1_500_000


def test_sixteen_phones_stay_usable(
    browser: Any, report: EnergyReport, tmp_path: Path, axe: str
) -> None:
    path = tmp_path / "report.html"
    path.write_text(page.render(shift(report, 16)), "utf-8")
    for width in (1280, 390):
        browser.open(path, width, 844)
        assert browser.complaints == []
        assert browser.run("document.documentElement.scrollWidth") <= width
    moved_ms = browser.run(
        "(() => { const i = document.querySelector('figure[data-key] input');"
        "const t = performance.now(); for (let k = 0; k < 20; k++) { i.value = k * 600;"
        "i.dispatchEvent(new Event('input')); } return (performance.now() - t) / 20 })()"
    )
    assert moved_ms < 500, "a step of the slider, on any machine"
