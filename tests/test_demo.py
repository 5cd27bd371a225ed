"""The main job, end to end: what a newcomer sees, and whether it is true."""

import json
import re
import subprocess
import sys
from io import StringIO
from pathlib import Path
from typing import Any

import pytest
from rich.console import Console

from analysis import energy, load
from analysis.outputs import terminal
from parsers.runfolder import RunFolder
from parsers.schema import SCHEMA_VERSION
from parsers.tables import read_table

ROOT = Path(__file__).parent.parent
pytestmark = pytest.mark.timeout(240)

SEGMENTS = [
    "navigation",
    "voice call",
    "parcel scanning",
    "standby in the pocket",
    "music",
    "video briefing",
]


def rundown(*words: str, cwd: Path | None = None) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, ROOT / "rundown.py", *words],
        capture_output=True,
        text=True,
        check=False,
        cwd=cwd,
    )


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    """A finished demo run, and what it printed."""
    folder = tmp_path_factory.mktemp("demo")
    done = rundown("demo", "shift", cwd=folder)
    assert done.returncode == 0, done.stderr
    return folder / "shift", done.stdout


@pytest.fixture(scope="module")
def report(demo: tuple[Path, str]) -> dict[str, Any]:
    done = rundown("energy", str(demo[0]), "--json")
    assert done.returncode == 0, "a run-down as it should be needs no attention"
    document: dict[str, Any] = json.loads(done.stdout)
    return document


def rows(report: dict[str, Any]) -> list[tuple[str, dict[str, Any]]]:
    return [(p["phone"], s) for p in report["phones"] for s in p["segments"]]


def test_it_prints_a_row_per_segment_and_the_page(demo: tuple[Path, str]) -> None:
    folder, printed = demo
    for label in ("alder-1", "birch-1", "cedar-1"):
        assert label in printed
    for column in ("mWh", "95 % interval", "mW", "% used", "max °C", "true mWh"):
        assert column in printed
    assert all(printed.count(name) >= 3 for name in SEGMENTS)
    page = next(line for line in printed.splitlines() if line.endswith("report.html"))
    assert (folder.parent / page).is_file()


def test_all_phones_shut_off_with_evidence(demo: tuple[Path, str]) -> None:
    manifest = RunFolder(demo[0]).read_manifest()
    assert manifest.outcome == "finished"
    for phone in manifest.phones:
        assert phone.end is not None
        assert phone.end.what == "shut_off"
        assert re.match(r"last seen at level [0-4] %, 3[0-4]\d\d mV", phone.end.evidence)
        assert phone.end.last_answer_utc is not None
        assert phone.end.silent_utc is not None
        assert 0 <= (phone.end.silent_utc - phone.end.last_answer_utc).total_seconds() < 30


def test_every_reading_that_was_sent_is_there_once(demo: tuple[Path, str]) -> None:
    table = read_table(demo[0] / "tables" / "readings").to_pandas()
    for _, phone in table.groupby("phone", observed=True):
        assert phone["seq"].tolist() == list(range(len(phone)))
        assert phone["boot_s"].is_monotonic_increasing


def test_phones_with_current_are_within_three_percent(report: dict[str, Any]) -> None:
    checked = 0
    for phone, segment in rows(report):
        if phone != "cedar-1" and segment["duration_s"] >= 300:
            ratio = segment["energy_mwh"] / segment["true_energy_mwh"]
            assert ratio == pytest.approx(1, abs=0.03), (phone, segment["segment"])
            checked += 1
    assert checked == 14


def test_intervals_hold_the_truth(report: dict[str, Any]) -> None:
    held = [
        s["energy_lo95_mwh"] <= s["true_energy_mwh"] <= s["energy_hi95_mwh"]
        for _, s in rows(report)
    ]
    assert len(held) == 21
    assert sum(held) >= 0.9 * len(held)


def test_segments_and_the_rest_add_up(report: dict[str, Any]) -> None:
    for phone in report["phones"]:
        parts = [*phone["segments"], phone["untagged"]]
        for key in ("energy_mwh", "duration_s"):
            total = sum(part[key] for part in parts)
            assert total == pytest.approx(phone["total"][key], rel=1e-12)


def test_the_slip_is_visible(report: dict[str, Any], demo: tuple[Path, str]) -> None:
    for phone in report["phones"]:
        assert 300 <= phone["untagged"]["duration_s"] <= 420
    context = read_table(demo[0] / "tables" / "context").to_pandas()
    games = context[(context["name"] == "foreground") & (context["value"] == "org.example.tiles")]
    assert set(games["phone"]) == {"alder-1", "birch-1", "cedar-1"}
    tags = json.loads(rundown("tag", "list", "--run", str(demo[0]), "--json").stdout)
    assert "game by accident" not in {s["segment"] for s in tags["segments"]}


def test_json_has_the_documented_shape(report: dict[str, Any]) -> None:
    assert set(report) == {"schema", "run", "phones"}
    assert report["schema"] == 1
    for phone in report["phones"]:
        told = {"notes", "facts", "findings"}
        assert set(phone) == {"phone", "gauge", "segments", "untagged", "total", *told}
        assert set(phone["gauge"]) == {"current_unit", "current_sign", "counter", "why"}
        assert set(phone["untagged"]) == {"duration_s", "energy_mwh"}
        total = {"duration_s", "energy_mwh", "energy_u_mwh", "shut_off_utc"}
        assert set(phone["total"]) == total
        assert phone["total"]["shut_off_utc"].endswith("Z")
        for segment in phone["segments"]:
            assert set(segment) == {
                *("segment", "occurrence", "start_utc", "end_utc", "duration_s", "energy_mwh"),
                *("energy_u_mwh", "energy_lo95_mwh", "energy_hi95_mwh", "energy_u_common_mwh"),
                *("mean_power_mw", "level_used_pct", "share_ratio", "method", "covered_ratio"),
                *("temperature_start_c", "temperature_mean_c", "temperature_max_c"),
                *("screen_on_s", "cut_short", "flags", "true_energy_mwh"),
            }
            assert segment["start_utc"].endswith("Z")
            assert segment["duration_s"] > 0
            assert segment["energy_u_mwh"] >= segment["energy_u_common_mwh"] >= 0


def test_units_and_signs_were_found_out(report: dict[str, Any]) -> None:
    gauges = {p["phone"]: p["gauge"] for p in report["phones"]}
    assert gauges["alder-1"]["current_unit"] == "uA"
    assert gauges["alder-1"]["current_sign"] == 1
    assert gauges["birch-1"]["current_unit"] == "mA"
    assert gauges["cedar-1"]["current_unit"] is None


def test_current_out_of_the_battery_is_negative(demo: tuple[Path, str]) -> None:
    table = read_table(demo[0] / "tables" / "readings").to_pandas()
    medians = table.groupby("phone", observed=True)["current_ma"].median()
    assert medians["alder-1"] < -200
    assert medians["birch-1"] < -200


def readme_snippet(word: str) -> str:
    blocks: list[str] = re.findall(
        r"```python\n(.*?)```", (ROOT / "README.md").read_text("utf-8"), re.DOTALL
    )
    return next(block for block in blocks if word in block)


def test_the_tables_open_as_the_readme_says(demo: tuple[Path, str]) -> None:
    folder, _ = demo
    code = readme_snippet("read_parquet")
    for shown, run in (
        ("shift-demo", folder.as_posix()),
        ("readings = pd", "by_pandas = pd"),
        ("readings = ds", "by_arrow = ds"),
        ("duckdb.sql(", "by_duckdb = duckdb.sql("),
    ):
        assert shown in code
        code = code.replace(shown, run)
    names: dict[str, Any] = {}
    exec(code, names)  # the README's own lines
    counts = names["by_pandas"].groupby("phone", observed=True).size().to_dict()
    arrow = names["by_arrow"].to_pandas().groupby("phone", observed=True).size().to_dict()
    assert counts == arrow == dict(names["by_duckdb"].fetchall())
    assert set(counts) == {"alder-1", "birch-1", "cedar-1"}
    schema = names["ds"].dataset(folder / "tables" / "readings", partitioning="hive").schema
    assert schema.metadata[b"schema_version"] == str(SCHEMA_VERSION).encode()


def test_a_second_demo_does_not_overwrite_the_first(demo: tuple[Path, str]) -> None:
    again = rundown("demo", demo[0].name, cwd=demo[0].parent)
    assert again.returncode == 2
    assert "choose another folder" in again.stderr


def test_the_newest_run_is_found_and_named(demo: tuple[Path, str]) -> None:
    done = rundown("energy", cwd=demo[0].parent)
    assert done.returncode == 0
    assert demo[0].name in done.stderr
    assert "alder-1" in done.stdout


def test_the_table_is_whole_on_eighty_columns(demo: tuple[Path, str]) -> None:
    console = Console(width=80, file=StringIO(), force_terminal=True, no_color=True)
    terminal.show(energy(load(demo[0])), console)
    assert isinstance(console.file, StringIO)
    lines = re.sub(r"\x1b\[[0-9;]*m", "", console.file.getvalue()).splitlines()
    assert max(map(len, lines)) <= 80
    assert sum(line.rstrip().endswith("true mWh") for line in lines) == 3
    totals = [line.split("  ") for line in lines if line.startswith("total")]
    assert len(totals) == 3
    for total in totals:
        assert re.fullmatch(r"\d\d\u202f\d\d\d", total[-1].strip()), "the truth, uncut"
