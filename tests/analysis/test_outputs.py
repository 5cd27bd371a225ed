import csv
import io
import json
import re
from collections.abc import Callable
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as ET

import numpy as np
import pandas as pd
import pytest
from rich.console import Console
from typer.testing import CliRunner

import rundown
from analysis import energy, load
from analysis.lasting.outlook import outlook
from analysis.outputs import (
    OUTPUTS,
    layout,
    listing,
    markdown,
    page,
    sections,
    spreadsheet,
    terminal,
    wording,
)
from analysis.report import EnergyReport
from parsers.runfolder import RunFolder

HOSTILE = "=cmd|'<script>alert(1)</script>[red]x[/]\u202e\x1b[2J|`*"


@pytest.fixture
def hostile(
    tmp_path: Path, phones_made: list[Any], writing: Callable[..., Path], tagging: Any
) -> EnergyReport:
    tags = [tagging("begin", 20.0, HOSTILE[:60]), tagging("end", 400.0)]
    path = writing(tmp_path / "run", phones_made[:2], tags, title=HOSTILE)
    found: EnergyReport = energy(load(path))
    return found


def printed(report: EnergyReport) -> str:
    out = io.StringIO()
    terminal.show(report, Console(file=out, width=terminal.WIDTH))
    return out.getvalue()


@pytest.mark.parametrize("output", OUTPUTS, ids=lambda output: output.FILE_NAME)
def test_every_output_shows_every_phone_and_segment(report: EnergyReport, output: Any) -> None:
    text = output.render(report)
    for phone in report.phones:
        assert phone.phone.replace("-", "\\-") in text or phone.phone in text
        for segment in phone.segments:
            assert segment.segment in text


@pytest.mark.parametrize("output", OUTPUTS, ids=lambda output: output.FILE_NAME)
def test_hostile_names_stay_text(hostile: EnergyReport, output: Any) -> None:
    text = output.render(hostile)
    if output not in (spreadsheet, listing):  # where it is no more than text
        assert "<script>alert" not in text
    assert "\x1b" not in text
    assert "\u202e" not in text


def test_terminal_fits_and_shows_markup_as_text(
    hostile: EnergyReport, report: EnergyReport
) -> None:
    text = printed(hostile)
    assert "[red]x[/]" in text.replace("\n", "")
    assert "\x1b" not in text
    assert "\u202e" not in text
    for shown in (text, printed(report)):
        assert max(len(line) for line in shown.splitlines()) <= 100
    assert "true mWh" in printed(report)
    assert "true mWh" not in printed(replace(report, virtual=False))


def marked(report: EnergyReport) -> EnergyReport:
    """A phone of whose segments one was cut short, one is doubtful, one of another method."""
    phone = report.phones[0]
    first, *others = phone.segments
    odd = (
        replace(first, segment="cut short", cut_short=True, flags=()),
        replace(first, segment="doubtful", flags=("plugged in for 30 s",)),
        replace(first, segment="by power", method="power integral", flags=()),
    )
    plain = [replace(segment, flags=()) for segment in others]
    return replace(report, phones=(replace(phone, segments=(*plain, *odd), notes=()),))


@pytest.mark.parametrize(
    "render",
    [printed, lambda report: markdown.render(report).replace("\\", ""), page.render],
    ids=["terminal", "markdown", "page"],
)
def test_marks_and_methods_are_shown_and_explained(
    report: EnergyReport, render: Callable[[EnergyReport], str]
) -> None:
    text = " ".join(render(marked(report)).split())
    assert "fused; ¹ power integral" in text
    cut, doubtful = wording.LEGEND[wording.CUT_SHORT], wording.LEGEND[wording.DOUBTFUL]
    assert f"† {cut}; ! {doubtful}" in text
    plain = " ".join(render(replace(report, phones=report.phones[2:])).split())
    assert "level" in plain
    assert cut not in plain
    if render is not page.render:
        for name in ("cut short †", "doubtful !", "by power ¹"):
            assert name in text


@pytest.mark.parametrize("width", [20, 36, 60, 80, 100])
def test_a_narrow_terminal_drops_columns_with_a_word(report: EnergyReport, width: int) -> None:
    out = io.StringIO()
    terminal.show(report, Console(file=out, width=width))
    lines = out.getvalue().splitlines()
    assert max(map(len, lines)) <= width
    text = " ".join(" ".join(lines).split())
    assert ("no room for" in text) == (width < 80)
    figures = [wording.energy_text(s.amount) for p in report.phones for s in p.segments]
    assert width < 40 or all(figure in text for figure in figures)
    assert re.search(r"\w…", text) is None, "nothing is cut off"


class Checker(HTMLParser):
    """Open tags at the end, and everything that would be fetched."""

    VOID = ("meta", "link", "br", "img", "input", "line", "rect", "path")

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.fetched: list[str] = []
        self.scripts = 0

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.scripts += tag == "script"
        self.fetched += [str(v) for k, v in attrs if k in ("src", "href", "srcset", "data")]
        if tag not in self.VOID:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        if tag not in self.VOID:
            assert self.open.pop() == tag


def test_page_stands_alone(report: EnergyReport) -> None:
    text = page.render(report)
    checker = Checker()
    checker.feed(text)
    assert (checker.open, checker.fetched, checker.scripts) == ([], [], 2)
    assert "url(" not in text
    assert "http" not in text.replace("http-equiv", "").replace("http://www.w3.org/2000/svg", "")
    assert "prefers-color-scheme:dark" in text
    assert wording.VIRTUAL.split(":", maxsplit=1)[0] in text
    drawings = [ET.fromstring(part + "</svg>") for part in _between(text, "<svg", "</svg>")]
    assert len(drawings) == 2 * 6, "four curves and two kinds of bars, each wide and narrow"
    for drawn in drawings:
        assert any(char.isdigit() for char in drawn.get("aria-label", "")), "numbers in words"
    power = next(d for d in drawings if d.get("aria-label", "").startswith("Power"))
    curves = {
        (e.get("class"), e.get("stroke-dasharray"))
        for e in power.iter("path")
        if (e.get("class") or "").startswith("s-c")
    }
    assert len({dash for _, dash in curves}) == len(curves) == 3, "told apart without colour"


def _between(text: str, first: str, last: str) -> list[str]:
    return [first + part.split(last)[0] for part in text.split(first)[1:]]


def test_labels_keep_the_order_of_their_curves_and_their_distance() -> None:
    for wanted in ([100.0, 95.0, 240.0], [241.0, 242.0, 240.0], [50.0, 50.0, 50.0]):
        placed = layout.apart(wanted, 13.0, 40.0, 242.0)
        assert (
            np.argsort(placed, kind="stable").tolist()
            == np.argsort(wanted, kind="stable").tolist()
        )
        assert np.diff(np.sort(placed)).min() >= 13
        assert max(placed) <= 242


def test_answers_come_before_figures(report: EnergyReport) -> None:
    text = page.render(report)
    assert text.index("whole run") < text.index("<table>")
    assert markdown.render(report).index("whole run") < markdown.render(report).index("|")


def test_one_phone_is_compared_with_none(report: EnergyReport) -> None:
    alone = replace(report, phones=report.phones[:1])
    assert "nothing to compare" in page.render(alone)
    assert "|" in markdown.render(alone)


def test_spreadsheet_reads_back(hostile: EnergyReport, report: EnergyReport) -> None:
    text = spreadsheet.render(report)
    assert text.count("\r\n") == text.count("\n") == 7
    rows = list(csv.DictReader(io.StringIO(text, newline="")))
    assert [row["phone"] for row in rows] == [
        p for p in ("alder-1", "birch-1", "cedar-1") for _ in "ab"
    ]
    amounts = [s.amount for p in report.phones for s in p.segments]
    for row, amount in zip(rows, amounts, strict=True):
        assert float(row["energy_mwh"]) == pytest.approx(amount.energy_mwh, abs=amount.u_mwh / 18)
    row = next(csv.DictReader(io.StringIO(spreadsheet.render(hostile), newline="")))
    assert row["segment"].startswith("'=")


@pytest.mark.parametrize(
    ("value", "digits", "text"),
    [(1234.56, 1, "1\u202f234.6"), (None, 1, "–"), (float("nan"), 0, "–"), (-0.5, 2, "-0.50")],
)
def test_figures(value: float | None, digits: int, text: str) -> None:
    assert wording.number(value, digits) == text


@pytest.mark.parametrize(
    ("u", "digits"), [(123.0, 0), (12.0, 0), (1.2, 1), (0.12, 2), (0.0012, 3), (0.0, 1)]
)
def test_figures_follow_their_doubt(u: float, digits: int) -> None:
    assert wording.digits_for(u) == digits


def invoke(*words: str) -> Any:
    return CliRunner().invoke(rundown.app, list(words))


def test_energy_prints_json_and_nothing_else(run_path: Path) -> None:
    done = invoke("energy", str(run_path), "--json")
    assert done.exit_code == 1  # a package was in front outside its segment
    assert json.loads(done.stdout)["run"] == "run-1"
    assert "navigation" in invoke("energy", str(run_path)).stdout


def test_newest_run_is_taken_and_named(run_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(run_path.parent)
    done = invoke("energy", "--json")
    assert json.loads(done.stdout)["run"] == "run-1"
    assert done.stderr == "run run\n"


def test_a_clean_run_exits_with_nothing_to_say(
    tmp_path: Path, phones_made: list[Any], writing: Callable[..., Path], tagging: Any
) -> None:
    tags = [tagging("begin", 20.0, "navigation"), tagging("end", 400.0)]
    path = writing(tmp_path / "run", phones_made[:1], tags)
    assert invoke("energy", str(path)).exit_code == 0


def test_wrong_use_and_damage_have_their_codes(run_path: Path, tmp_path: Path) -> None:
    nowhere = invoke("energy", str(tmp_path / "nowhere"))
    assert nowhere.exit_code == 2
    assert "not a run folder" in nowhere.stderr
    table = RunFolder(run_path).tables / "readings" / "phone=alder-1" / "part-0.parquet"
    table.write_bytes(table.read_bytes()[:-100])
    damaged = invoke("energy", str(run_path))
    assert damaged.exit_code == 4
    assert "rundown tidy" in damaged.stderr
    RunFolder(run_path).manifest_path.write_text("{")
    cut = invoke("energy", str(run_path))
    assert cut.exit_code == 4
    assert "run.json" in cut.stderr
    assert "restore it from a copy" in cut.stderr
    assert invoke("energy", str(run_path), "--nonsense").exit_code == 2


def test_publish_writes_what_it_names(run_path: Path) -> None:
    done = invoke("publish", str(run_path))
    assert done.exit_code == 1
    files = [Path(line) for line in done.stdout.splitlines()]
    assert all(file.stat().st_size > 0 for file in files)
    names = [file.name for file in files if file.parent.name != "charts"]
    assert names == [
        "energy.json", "energy.parquet",
        "comparison.json", "comparison.parquet", "comparison.csv",
        "outlook.json", "outlook.parquet", "outlook.csv",
        "report.html", "energy.md", "energy.csv", "energy.json", "budget.csv",
        "energy.parquet", "phones.parquet", "budget.parquet",
        "chapters.txt", "captions.vtt", "captions.srt", "data-package.zip",
    ]  # fmt: skip
    assert len(files) - len(names) == 6 * 3, "each chart in two shapes and as SVG"
    assert done.stderr.splitlines()[0] == "1 of 5: page and tables"
    plain = json.loads(files[0].read_text("utf-8"))
    table = pd.read_parquet(files[1])
    expected = [s["energy_mwh"] for p in plain["phones"] for s in p["segments"]]
    assert table["energy_mwh"].tolist() == expected
    assert table["phone"].tolist() == ["alder-1"] * 2 + ["birch-1"] * 2 + ["cedar-1"] * 2
    run = load(run_path)
    shown = (RunFolder(run_path).published / "report.html").read_text("utf-8")
    assert shown == page.render(energy(run), sections.sections(run, outlook(run)))
    for heading in ("Outlook", "Fairness", "Slips", "Uncertainty budget", "Known limits"):
        assert f"<h2>{heading}</h2>" in shown
