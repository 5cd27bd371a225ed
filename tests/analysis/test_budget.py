import io
import json
import math
import re
import unicodedata
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from rich.console import Console
from typer.testing import CliRunner

import rundown
from analysis import energy, load
from analysis.outputs import budget, budget_table, tables
from analysis.report import Amount, EnergyReport
from parsers.runfolder import RunFolder

HOSTILE = "=cmd|'<b>[red]x[/]\u202e\x1b[2J|`*"


@pytest.fixture
def twice(
    tmp_path: Path, phones_made: list[Any], writing: Callable[..., Path], tagging: Any
) -> Path:
    """Two phones that did the same activity twice, and one with a hostile name."""
    tags = [
        tagging(what, at_s, name if what == "begin" else None)
        for name, begin_s in (("navigation", 20.0), (HOSTILE, 300.0), ("navigation", 600.0))
        for what, at_s in (("begin", begin_s), ("end", begin_s + 250))
    ]
    return writing(tmp_path / "run", [phones_made[0], phones_made[2]], tags)


def amounts(report: EnergyReport) -> list[Amount]:
    parts = [(p.total, p.untagged, *(s.amount for s in p.segments)) for p in report.phones]
    return [amount for part in parts for amount in part]


def printed(report: EnergyReport, name: str, width: int) -> str:
    out = io.StringIO()
    budget_table.show(report, name, Console(file=out, width=width))
    return out.getvalue()


def invoke(*words: str) -> Any:
    return CliRunner().invoke(rundown.app, list(words))


def test_lines_add_up(report: EnergyReport) -> None:
    assert len(amounts(report)) == 12
    for amount in amounts(report):
        lines = amount.budget
        assert len(lines) >= 4
        assert math.hypot(*(line.u_mwh for line in lines)) == pytest.approx(amount.u_mwh)
        common = math.hypot(*(line.u_mwh for line in lines if line.shared))
        assert common == pytest.approx(amount.u_common_mwh)
        assert [line.u_mwh for line in lines] == sorted((x.u_mwh for x in lines), reverse=True)
        assert {line.kind for line in lines} <= {"A", "B"}
        assert {line.distribution for line in lines} <= {"normal", "rectangular"}
        assert sum(budget.share_of(line, amount) for line in lines) == pytest.approx(1.0)
        assert all(line.name and line.source for line in lines)
        assert len({line.name for line in lines}) == len(lines)


@pytest.mark.parametrize("width", [80, 120])
def test_the_table_fits_and_says_everything(report: EnergyReport, width: int) -> None:
    text = printed(report, "navigation", width)
    rows = [line.rstrip() for line in text.splitlines()]
    assert max(map(len, rows)) <= width
    assert "…" not in text.replace(" … ", ""), "nothing is cut off"
    for phone in report.phones:
        mine = next(s for s in phone.segments if s.segment == "navigation")
        assert f"{phone.phone}, navigation: " in text
        assert mine.method in text
        large, small = budget.parted(mine.amount)
        assert small or phone.phone == "cedar-1"
        for line in large:
            assert line.name.split()[0] in text
            assert line.source.split("(")[0].strip()[:30] in text
    assert text.count("source of doubt") == len(report.phones)
    for word in ("u, mWh", "share", "type", "shape", "scope", "common", "own", "JCGM 100:2008"):
        assert word in text


def test_what_is_printed_adds_up_too(report: EnergyReport) -> None:
    """The rows shown make the last one, as far as they are rounded."""
    blocks = printed(report, "voice call", 120).split("source of doubt")[1:]
    assert len(blocks) == 3
    for block in blocks:
        cells = [re.split(r"\s{2,}", line.strip()) for line in block.splitlines()[1:]]
        shown = {row[0]: row[1] for row in cells if len(row) > 1 and row[0] not in "123456"}
        u_mwh = {name: float(text) for name, text in shown.items()}
        names = list(u_mwh)
        sums = names.index("common to all segments")
        assert names[sums:] == ["common to all segments", "its own", "together"]
        place = 10.0 ** -len(shown["together"].partition(".")[2])
        for parts in (names[:sums], names[sums:-1]):
            made = math.hypot(*(u_mwh[name] for name in parts))
            assert made == pytest.approx(u_mwh["together"], abs=place * len(parts))


def test_both_times_are_explained(twice: Path) -> None:
    text = invoke("energy", str(twice), "--explain", "navigation").stdout
    for label in ("alder-1", "cedar-1"):
        for number in (1, 2):
            assert f"{label}, navigation ({number}): " in text
    document = json.loads(invoke("energy", str(twice), "--explain", "navigation", "--json").stdout)
    keys = [(s["phone"], s["occurrence"]) for s in document["segments"]]
    assert keys == [("alder-1", 1), ("alder-1", 2), ("cedar-1", 1), ("cedar-1", 2)]


def test_one_of_several_is_explained_by_the_name_that_the_table_prints(twice: Path) -> None:
    assert "navigation (2)" in invoke("energy", str(twice)).stdout
    done = invoke("energy", str(twice), "--explain", "navigation (2)")
    assert done.exit_code == 0, done.stderr
    assert "alder-1, navigation (2): " in done.stdout
    assert "navigation (1)" not in done.stdout
    plain = invoke("energy", str(twice), "--explain", "navigation (2)", "--json").stdout
    assert {(s["segment"], s["occurrence"]) for s in json.loads(plain)["segments"]} == {
        ("navigation", 2)
    }
    assert invoke("energy", str(twice), "--explain", "navigation (3)").exit_code == 2


def test_json_holds_every_line(run_path: Path, report: EnergyReport) -> None:
    done = invoke("energy", str(run_path), "--explain", "voice call", "--json")
    assert (done.exit_code, done.stderr) == (0, "")
    document = json.loads(done.stdout)
    assert (document["schema"], document["run"]) == (1, "run-1")
    assert len(document["segments"]) == 3
    for row, phone in zip(document["segments"], report.phones, strict=True):
        lines = row["budget"]
        assert row["phone"] == phone.phone
        assert set(lines[0]) == {"name", "u_mwh", "kind", "distribution", "shared", "source"}
        assert math.hypot(*(x["u_mwh"] for x in lines)) == pytest.approx(row["energy_u_mwh"])
        shared = math.hypot(*(x["u_mwh"] for x in lines if x["shared"]))
        assert shared == pytest.approx(row["energy_u_common_mwh"])


def test_an_unknown_segment_is_refused_and_the_known_ones_are_named(run_path: Path) -> None:
    done = invoke("energy", str(run_path), "--explain", "navigatoin")
    assert done.exit_code == 2
    assert done.stdout == ""
    assert "no segment 'navigatoin'; there is navigation, voice call" in done.stderr
    RunFolder(run_path).tags_path.write_text("")
    assert "nothing is tagged" in invoke("energy", str(run_path), "--explain", "x").stderr


def test_hostile_names_are_named_as_text(twice: Path) -> None:
    done = invoke("energy", str(twice), "--explain", "\x1b[2J\u202enothing")
    assert done.exit_code == 2
    assert not {"\x1b", "\u202e"} & set(done.stderr)


def test_hostile_names_are_explained_as_text(twice: Path) -> None:
    report = energy(load(twice))
    name = next(s.segment for s in report.phones[0].segments if "cmd" in s.segment)
    done = invoke("energy", str(twice), "--explain", name)
    assert done.exit_code == 0
    assert "=cmd|'<b>[red]x[/]" in done.stdout, "no markup is taken from it"
    assert not [c for c in done.stdout if unicodedata.category(c) in ("Cc", "Cf") and c != "\n"]


def test_tables_hold_the_same_budget(published: tuple[EnergyReport, Path]) -> None:
    report, folder = published
    rows = tables.budget_rows(report)
    frame = pd.read_parquet(folder / "budget.parquet")
    text = pd.read_csv(folder / "budget.csv")
    assert frame["energy_u_mwh"].tolist() == [row["energy_u_mwh"] for row in rows]
    assert text["energy_u_mwh"].tolist() == frame["energy_u_mwh"].tolist()
    assert text["common"].tolist() == frame["common"].tolist()
    assert len(rows) == sum(len(s.amount.budget) for p in report.phones for s in p.segments)
    found = frame.groupby(["phone", "segment", "occurrence"])["energy_u_mwh"]
    for phone in report.phones:
        for s in phone.segments:
            mine = found.get_group((phone.phone, s.segment, s.occurrence))
            assert math.hypot(*mine) == pytest.approx(s.amount.u_mwh, rel=0.02)


def test_a_line_of_one_segment_alone_is_a_dash_in_the_others(report: EnergyReport) -> None:
    phone = report.phones[0]
    first, second = phone.segments
    alone = replace(first.amount.budget[0], name="only here", u_mwh=99.0)
    longer = replace(first.amount, budget=(alone, *first.amount.budget))
    rows = budget.matrix(replace(phone, segments=(replace(first, amount=longer), second)))
    assert rows[0].line.name == "only here"
    assert rows[0].u_mwh[1] == "–"
    assert all("–" not in row.u_mwh for row in rows[1:])
