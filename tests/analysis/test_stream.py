import html
import io
import json
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from rich.console import Console
from typer.testing import CliRunner

import rundown
from analysis import energy, load
from analysis.outputs import markdown, page, terminal
from analysis.report import EnergyReport, Finding
from parsers.runfolder import RunFolder
from parsers.schema import Reading
from parsers.tables import read_table, write_table

START = datetime(2026, 5, 4, 6, 0, tzinfo=UTC)
Row = dict[str, Any]
WHOLE = (0.0, 1000.0)


@dataclass(frozen=True)
class Case:
    """What is done to the readings of a phone, and what is to be found."""

    change: Callable[[Row, float], Row | None]
    said: str
    span_s: tuple[float, float]
    harmless: bool = False
    phone: str = "alder-1"
    tolerance_s: float = 2.0


def within(low_s: float, high_s: float, **values: Any) -> Callable[[Row, float], Row]:
    return lambda row, t_s: row | values if low_s < t_s < high_s else row


def stepping_with_level(row: Row, t_s: float) -> Row:
    level = row["charge_counter_mah"] // 40
    return row | {"level_pct": level, "charge_counter_mah": 40.0 * level}


def restarted(row: Row, t_s: float) -> Row:
    if t_s < 600:
        return row
    return row | {"boot_id": "2", "boot_s": t_s - 590, "awake_s": row["awake_s"] - 590}


CASES = {
    "repeated": Case(lambda row, _: row, "the current is refreshed every 5 s: 8", WHOLE, True,
                     "birch-1"),
    "absent": Case(lambda row, _: row | {"charge_counter_mah": None},
                   "no charge counter was read", WHOLE, True),
    "stuck": Case(lambda row, _: row | {"charge_counter_mah": 3000.0},
                  "the charge counter never moves; it is not used", WHOLE, True),
    "with the level": Case(stepping_with_level,
                           "the charge counter moves only with the level; it is not used", WHOLE,
                           True),
    "jump": Case(lambda row, t: row | {"charge_counter_mah": row["charge_counter_mah"]
                                       + (30.0 if t > 500 else 0.0)},
                 "the charge counter jumped; the jump is taken out", (500, 500), tolerance_s=30),
    "contradiction": Case(lambda row, _: row | {"current_ma": 2 * row["current_ma"]},
                          "charge counter and current contradict each other", WHOLE),
    "plugged": Case(within(100, 200, plugged=True), "plugged in", (100, 200)),
    "untrusted": Case(within(250, 300, trusted=False), "values simulated or frozen", (250, 300)),
    "gap": Case(lambda row, t: None if 450 < t < 550 else row, "no readings", (450, 550)),
    "frozen": Case(within(300, 700, current_ma=-500.0, voltage_mv=4000.0,
                          charge_counter_mah=2950.0),
                   "the current is frozen", (300, 700), tolerance_s=5),
    "sentinel": Case(within(400.5, 403.5, voltage_mv=65535.0),
                     "3 impossible readings of voltage left out", (401, 403)),
    "too much current": Case(within(400.5, 401.5, current_ma=-99_999.0),
                             "1 impossible reading of current left out", (401, 401)),
    "spike": Case(within(400.5, 401.5, voltage_mv=2900.0),
                  "1 impossible reading of voltage left out", (401, 401)),
    "restart": Case(restarted, "the phone restarted", (600, 600)),
    "clock set": Case(lambda row, t: row | {"phone_utc": START + timedelta(
        seconds=t + (3600 if t > 350 else 0))}, "the phone's clock was set by +3600 s",
        (350, 350), True),
}  # fmt: skip


def made(path: Path, case: Case) -> EnergyReport:
    tables = RunFolder(path).tables
    rows = [r for r in read_table(tables / "readings").to_pylist() if r["phone"] == case.phone]
    changed = [case.change(row, row["boot_s"] - 52_000) for row in rows]
    write_table(
        tables, "readings", case.phone, [Reading(**r) for r in changed if r is not None], {}
    )
    report: EnergyReport = energy(load(path))
    return report


def span_s(found: Finding) -> tuple[float, float]:
    start, end = ((at - START).total_seconds() for at in (found.start_utc, found.end_utc))
    return start, end


@pytest.mark.parametrize("name", CASES)
def test_it_is_found_with_its_time_and_shown_everywhere(run_path: Path, name: str) -> None:
    case = CASES[name]
    report = made(run_path, case)
    phone = next(p for p in report.phones if p.phone == case.phone)
    mine = [f for f in phone.findings if f.said.startswith(case.said)]
    assert len(mine) == 1, [f.said for f in phone.findings]
    found = mine[0]
    assert found.harmless == case.harmless
    assert found.throughout == (case.span_s == WHOLE)
    assert span_s(found) == pytest.approx(case.span_s, abs=case.tolerance_s)
    assert span_s(found) == pytest.approx((found.start_s, found.end_s), abs=1.1)

    done = CliRunner().invoke(rundown.app, ["energy", str(run_path), "--json"])
    assert done.exit_code == 1, "a package was in front outside its segment, in all of these"
    told = json.loads(done.stdout)["phones"][report.phones.index(phone)]["findings"]
    row = next(f for f in told if f["said"] == found.said)
    assert set(row) == {"said", "start_utc", "end_utc", "harmless", "throughout"}
    assert row["start_utc"] == found.start_utc.isoformat(timespec="milliseconds")[:23] + "Z"

    out = io.StringIO()
    terminal.show(report, Console(file=out, width=400))
    time_text = "" if found.throughout else f"{found.start_utc:%H:%M:%S}"
    wanted = [line for line in out.getvalue().splitlines() if case.said in line]
    assert any(time_text in line for line in wanted)
    assert any(line.startswith("!") for line in wanted) == (not case.harmless)
    for text in (html.unescape(page.render(report)), markdown.render(report).replace("\\", "")):
        assert found.said in text
        assert time_text in text


@pytest.mark.parametrize("name", [name for name, case in CASES.items() if not case.harmless])
def test_what_is_doubtful_is_told_of_the_segment_it_lies_in(run_path: Path, name: str) -> None:
    case = CASES[name]
    report = made(run_path, case)
    navigation, call = report.phones[0].segments
    first, last = case.span_s
    for segment in (navigation, call):
        hit = first <= segment.end_s and last >= segment.start_s
        flagged = any(case.said in flag for flag in segment.flags)
        assert flagged == (hit and case.span_s != WHOLE), segment.flags
    assert report.phones[0].needs_attention


def test_what_lies_between_segments_is_told_but_needs_no_attention(
    tmp_path: Path, phones_made: list[Any], writing: Callable[..., Path], tagging: Any
) -> None:
    tags = [tagging("begin", 20.0, "navigation"), tagging("end", 400.0)]
    path = writing(tmp_path / "run", phones_made[:1], tags)
    assert not energy(load(path)).needs_attention
    report = made(path, Case(within(700, 800, plugged=True), "", WHOLE))
    assert [f.said for f in report.phones[0].findings] == ["plugged in"]
    assert not report.needs_attention
    RunFolder(path).tags_path.write_text("")
    assert energy(load(path)).needs_attention, "without segments all of it counts"


def test_moments_have_a_date_if_the_run_has_several(run_path: Path) -> None:
    report = made(run_path, Case(within(100, 200, plugged=True), "plugged in", (100, 200)))
    times = [
        f"{at:%H:%M:%S}" for f in report.phones[0].findings for at in (f.start_utc, f.end_utc)
    ]
    start, end = times[:2]
    assert f"{start} to {end} UTC: plugged in" in markdown.render(report).replace("\\", "")
    longer = replace(report, began_utc=report.began_utc - timedelta(hours=30))
    said = f"2026-05-04 {start} to 2026-05-04 {end} UTC: plugged in"
    assert said in markdown.render(longer).replace("\\", "")


def test_many_alike_are_counted(run_path: Path) -> None:
    def change(row: Row, t_s: float) -> Row | None:
        return None if 50 < t_s % 100 < 60 else row

    report = made(run_path, Case(change, "", WHOLE))
    assert sum(f.said == "no readings" for f in report.phones[0].findings) == 10
    text = markdown.render(report)
    assert text.count("UTC: no readings") == 4
    assert "no readings: 6 more times" in text
