import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from typer.testing import CliRunner

import rundown
from analysis import energy, load
from analysis.logs.file import TIMES, read_log
from parsers.runfolder import RunFolder
from parsers.tables import read_table

SEGMENTS = "segment,start_s,end_s\nnavigation,100,1900\nvoice call,1900,3500\n"


def invoke(*words: str) -> Any:
    return CliRunner().invoke(rundown.app, list(words))


def log_text(columns: dict[str, Any]) -> str:
    rows = zip(*(np.asarray(v).tolist() for v in columns.values()), strict=True)
    return "\n".join([",".join(columns), *(",".join(map(str, row)) for row in rows)]) + "\n"


def steady(n: int = 3601) -> dict[str, Any]:
    """Half an ampere at four volts, with a ripple so that no gauge looks frozen."""
    t_s = np.arange(n)
    drawn_ma = 500 + 5 * np.sin(t_s / 7)
    charge_mah = 3000 - np.concatenate([[0], np.cumsum(drawn_ma[:-1])]) / 3600
    return {"t_s": t_s, "drawn_ma": drawn_ma, "charge_mah": charge_mah}


Import = Callable[..., Any]


@pytest.fixture
def do(tmp_path: Path) -> Import:
    """Runs `rundown import` on the texts of a log and its segments."""

    def run(log: str | bytes, *words: str, segments: str = SEGMENTS, out: str = "run") -> Any:
        (tmp_path / "log.csv").write_bytes(log if isinstance(log, bytes) else log.encode())
        (tmp_path / "segments.csv").write_text(segments, "utf-8")
        return invoke(
            "import", str(tmp_path / "log.csv"), "--segments", str(tmp_path / "segments.csv"),
            "--out", str(tmp_path / out), *words,
        )  # fmt: skip

    return run


@pytest.mark.parametrize("sign", [1, -1], ids=["into the battery", "out of it"])
@pytest.mark.parametrize(
    ("current", "scale", "voltage", "volt"),
    [
        ("current_ma", 1.0, "voltage_mv", 4000), ("current_ua", 1000.0, "voltage_uv", 4_000_000),
        ("current_a", 0.001, "voltage_v", 4), ("current_raw", 1000.0, "voltage_mv", 4000),
    ],
)  # fmt: skip
def test_any_unit_and_either_sign(
    do: Import, tmp_path: Path, sign: int, current: str, scale: float, voltage: str, volt: float
) -> None:
    """Half an hour of 2 W is 1000 mWh."""
    columns = steady()
    values = -sign * scale * columns["drawn_ma"]
    if current == "current_raw":
        values = np.round(values).astype(np.int64)
    log = {
        "t_s": columns["t_s"],
        voltage: np.full(3601, volt),
        current: values,
        "level_pct": np.floor(90 - columns["t_s"] / 288),
    }
    done = do(log_text(log), "--capacity-mah", "4000")
    assert done.exit_code == 0, done.output
    segment = energy(load(tmp_path / "run")).phones[0].segments[0]
    assert segment.segment == "navigation"
    assert segment.amount.energy_mwh == pytest.approx(1000, rel=1e-3)
    assert segment.amount.duration_s == pytest.approx(1800)


def test_constant_current_and_voltage_are_exact(do: Import, tmp_path: Path) -> None:
    log = {
        "t_s": np.arange(0, 3601, 10),
        "voltage_mv": np.full(361, 4000),
        "current_ua": np.full(361, 500_000),
    }
    assert do(log_text(log)).exit_code == 0
    segment = energy(load(tmp_path / "run")).phones[0].segments[0]
    assert segment.amount.energy_mwh == pytest.approx(1000, rel=1e-9)


def test_a_counter_that_rises_is_turned_round(do: Import, tmp_path: Path) -> None:
    columns = steady()
    for name, counter in (
        ("charge_counter_mah", -columns["charge_mah"]),
        ("charge_counter_uah", np.round(columns["charge_mah"] * 1000)),
        ("charge_counter_raw", np.round(columns["charge_mah"] * 1000).astype(np.int64)),
    ):
        log = {
            "t_s": columns["t_s"],
            "voltage_v": np.full(3601, 4.0),
            "level_pct": np.floor(columns["charge_mah"] / 40),
            name: counter,
        }
        done = do(log_text(log), "--capacity-mah", "4000", out=name)
        assert done.exit_code == 0, done.output
        segment = energy(load(tmp_path / name)).phones[0].segments[0]
        assert segment.amount.energy_mwh == pytest.approx(1000, rel=2e-3), name


@pytest.mark.parametrize("name", ["charge_counter_mah", "charge_counter_raw"])
def test_a_counter_that_never_moves_is_said_to(do: Import, tmp_path: Path, name: str) -> None:
    columns = steady()
    log = {
        "t_s": columns["t_s"],
        "voltage_mv": np.full(3601, 4000),
        "current_ma": -columns["drawn_ma"],
        "level_pct": np.floor(columns["charge_mah"] / 40),
        name: np.full(3601, 2500),
    }
    assert do(log_text(log)).exit_code == 0
    shown = invoke("energy", str(tmp_path / "run"))
    assert "the charge counter never moves; it is not used" in shown.stdout
    assert "no charge counter was read" not in shown.stdout


def test_a_unit_from_a_column_is_not_called_stated_by_the_user(do: Import) -> None:
    columns = steady()
    log = {
        "t_s": columns["t_s"],
        "voltage_mv": np.full(3601, 4000),
        "current_raw": np.round(-1000 * columns["drawn_ma"]).astype(np.int64),
        "level_pct": np.floor(columns["charge_mah"] / 40),
        "charge_counter_mah": columns["charge_mah"],
    }
    done = do(log_text(log), "--capacity-mah", "4000")
    assert "counter in the unit of its column" in done.stderr
    assert "stated by the user" not in done.stderr


def test_a_magnitude_on_a_supply_says_nothing(do: Import, tmp_path: Path) -> None:
    columns = steady()
    plugged = columns["t_s"] >= 3000
    log = {
        "t_s": columns["t_s"],
        "voltage_mv": np.full(3601, 4000),
        "current_ma": columns["drawn_ma"],
        "plugged": plugged.astype(int),
    }
    assert do(log_text(log)).exit_code == 0
    table = read_table(tmp_path / "run" / "tables" / "readings").to_pandas()
    assert table["current_ma"][~plugged].max() < 0
    assert table["current_ma"][plugged].isna().all()
    inverted = log | {
        "current_ma": np.where(plugged, -800 + columns["t_s"] % 7, log["current_ma"])
    }
    assert do(log_text(inverted), out="inverted").exit_code == 0
    table = read_table(tmp_path / "inverted" / "tables" / "readings").to_pandas()
    assert table["current_ma"][plugged].min() > 700


def test_several_phones_with_wall_clock_and_their_own_segments(do: Import, tmp_path: Path) -> None:
    header = "time_utc,phone,voltage_mv,current_ma,temperature_dc,awake_s\n"
    rows = [
        f"2026-05-04T{8 + k // 60:02}:{k % 60:02}:00+02:00,{phone},4000,{-ma - k % 3},291,{60 * k}"
        for k in range(70)
        for phone, ma in (("alder-1", 500), ("birch-1", 400))
    ]
    segments = "phone,segment,start_s,end_s\n,call,0,1800\nbirch-1,video,1800,3600\n"
    done = do(header + "\n".join(rows), "--title", "an old log", segments=segments)
    assert done.exit_code == 0, done.output
    report = energy(load(tmp_path / "run"))
    assert report.title == "an old log"
    assert [[s.segment for s in p.segments] for p in report.phones] == [
        ["call"],
        ["call", "video"],
    ]
    assert report.phones[0].segments[0].start_utc.isoformat() == "2026-05-04T06:00:00+00:00"
    assert report.phones[0].segments[0].temperature_max_c == pytest.approx(29.1, abs=1e-3)
    assert report.phones[0].segments[0].amount.energy_mwh == pytest.approx(1002, rel=2e-3)


@pytest.mark.timeout(60)
def test_every_other_command_takes_an_imported_run(do: Import, tmp_path: Path) -> None:
    columns = steady()
    rows = [
        (t, phone, 4000, -round(ma * share, 3))
        for t, ma in zip(columns["t_s"], columns["drawn_ma"], strict=True)
        for phone, share in (("alder-1", 1.0), ("birch-1", 0.8))
    ]
    text = "t_s,phone,voltage_mv,current_ma\n" + "\n".join(",".join(map(str, r)) for r in rows)
    capacity = ("--capacity-mah", "alder-1=4000", "--capacity-mah", "birch-1=3900")
    assert do(text, *capacity).exit_code == 0
    run = str(tmp_path / "run")
    assert RunFolder(tmp_path / "run").read_manifest().imported_from == "log.csv"
    for words in (
        ["energy", run],
        ["compare", run],
        ["publish", run],
        ["tag", "list", "--run", run],
    ):
        done = invoke(*words)
        assert done.exit_code in (0, 1), (words, done.output, done.stderr)
    found = json.loads(invoke("compare", run, "--json").stdout)
    row = next(r for r in found["between_phones"] if r["activity"] == "navigation")
    assert row["ratio"]["value"] == pytest.approx(1.25, rel=1e-3)
    hours = json.loads(invoke("outlook", run, "--json").stdout)["phones"]
    assert [phone["measured"] for phone in hours] == [False, False]
    tidied = invoke("tidy", run)
    assert tidied.exit_code == 2
    assert "import that log again" in tidied.stderr
    assert (tmp_path / "run" / "tables" / "readings").is_dir(), "nothing was lost"


def test_sentinels_are_no_readings(do: Import, tmp_path: Path) -> None:
    columns = steady()
    raw = np.round(-1000 * columns["drawn_ma"]).astype(np.int64)
    raw[100:110] = -(2**31)
    log = {
        "t_s": columns["t_s"], "voltage_mv": np.full(3601, 4000), "current_raw": raw,
        "level_pct": np.floor(90 - columns["t_s"] / 288),
    }  # fmt: skip
    assert do(log_text(log), "--capacity-mah", "4000").exit_code == 0
    table = read_table(tmp_path / "run" / "tables" / "readings").to_pandas()
    assert table["current_ma"].isna().sum() == 10
    assert table["current_ma"].min() > -600


GOOD = "t_s,voltage_mv,current_ma\n0,4000,-500\n10,4000,-510\n3600,3990,-505\n"


@pytest.mark.parametrize(
    ("log", "segments", "said"),
    [
        ("", SEGMENTS, "not comma-separated values with a header"),
        ("t_s,voltage_mv\n", SEGMENTS, "no rows"),
        (b"t_s,\xff\xfe\n1,2\n", SEGMENTS, "not UTF-8"),
        ("t_s;voltage_mv\n1;2\n", SEGMENTS, "unknown column 't_s;voltage_mv'"),
        ("t_s,voltage_mv,energy_wh\n1,4000,2\n", SEGMENTS, "unknown column 'energy_wh'"),
        ("t_s,voltage_mv,voltage_v\n1,4000,4\n", SEGMENTS, "voltage_mv and voltage_v"),
        ("t_s,boot_s\n1,1\n", SEGMENTS, "t_s and boot_s"),
        ("voltage_mv\n4000\n4000\n", SEGMENTS, "has no clock"),
        ("t_s,voltage_mv\n0,4000\n1,four\n", SEGMENTS, "line 3: voltage_mv 'four' is not"),
        ("t_s,voltage_mv\n0,4.0\n1,4.0\n", SEGMENTS, "does the column's name give the unit?"),
        ("t_s,level_pct\n0,50\n1,101\n", SEGMENTS, "line 3: level_pct '101' cannot be"),
        ("t_s,level_pct\n5,50\n1,50\n", SEGMENTS, "line 3: its time is before"),
        ("t_s,level_pct\n,50\n1,50\n", SEGMENTS, "line 2: has no time"),
        ("t_s,level_pct\n1,50\n", SEGMENTS, "one reading"),
        ("time_utc,level_pct\nyesterday,50\n", SEGMENTS, "not ISO 8601"),
        ("t_s,phone,level_pct\n0,../x,5\n1,../x,5\n", SEGMENTS, "label '../x'"),
        ("t_s,level_pct\n0,5,7\n1,5,7\n", SEGMENTS, "not comma-separated"),
        (GOOD, "segment,start_s\ncall,0\n", "no column end_s"),
        (GOOD, "start_s,end_s\n0,1\n", "no column segment"),
        (GOOD, "segment,start_s,end_s\ncall,9,9\n", "line 2: end_s must be after start_s"),
        (GOOD, "segment,start_s,end_s\ncall,0,\n", "line 2: end_s is empty"),
        (GOOD, "segment,start_s,end_s\ncall,,9\n", "line 2: start_s is empty"),
        (GOOD, "segment,start_s,end_s\n,0,9\n", "line 2: a segment's name"),
        (GOOD, f"segment,start_s,end_s\n{'x' * 61},0,9\n", "line 2: a segment's name"),
        (GOOD, "segment,start_s,end_s\na\x1b[2Jb,0,9\n", "line 2: a segment's name"),
        (GOOD, "segment,start_s,end_s\na,0,9\nb,8,20\n", "'a' and 'b' overlap"),
        (GOOD, "phone,segment,start_s,end_s\nelm-1,a,0,9\n", "has no phone 'elm-1'"),
    ],
)  # fmt: skip
def test_what_cannot_be_used_is_refused_with_a_sentence(
    do: Import, tmp_path: Path, log: str | bytes, segments: str, said: str
) -> None:
    done = do(log, segments=segments)
    assert done.exit_code == 2, done.output
    assert said in done.stderr
    assert "Traceback" not in done.stderr
    assert {path.name for path in tmp_path.iterdir()} == {"log.csv", "segments.csv"}
    assert all(char == "\n" or char.isprintable() for char in done.stderr)


def test_wrong_options_are_refused(do: Import, tmp_path: Path) -> None:
    assert "not 100 to 100000" in do(GOOD, "--capacity-mah", "much").stderr.replace("\n", " ")
    assert "no phone elm-1" in do(GOOD, "--capacity-mah", "elm-1=4000").stderr
    assert do(GOOD).exit_code == 0
    again = do(GOOD)
    assert again.exit_code == 2
    assert "already there" in again.stderr
    missing = invoke("import", "nowhere.csv", "--segments", "x.csv", "--out", str(tmp_path / "x"))
    assert missing.exit_code == 2
    assert "No such file or directory; name a file that is there" in missing.stderr


@pytest.mark.parametrize(
    ("log", "missing"),
    [
        ("t_s,current_ma\n0,-500\n10,-510\n3600,-505\n", "no voltage"),
        (
            "t_s,voltage_mv,level_pct\n0,4000,90\n1800,3990,88\n3600,3980,86\n",
            "neither current nor a moving charge counter, nor a level that falls with "
            "--capacity-mah",
        ),
    ],
    ids=["voltage", "capacity"],
)
def test_a_log_that_tells_no_energy_is_said_to(
    do: Import, tmp_path: Path, log: str, missing: str
) -> None:
    done = do(log)
    assert done.exit_code == 1
    assert f"phone-1: no energy can be told: there is {missing}; add it" in done.stderr
    for command in ("energy", "outlook"):
        said = invoke(command, str(tmp_path / "run"))
        assert said.exit_code == 4
        assert said.stderr.count("phone-1: neither current nor") == 1
        assert said.stderr.count("import log.csv again with the missing column") == 1
        assert "rundown tidy" not in said.stderr, "an imported run has no journals"
    stated = do(log, "--capacity-mah", "4000", out="stated")
    assert stated.exit_code == int("no voltage" in stated.stderr) == int("current" in log)


def test_hostile_segment_names_stay_text(do: Import, tmp_path: Path) -> None:
    name = "=cmd|'<script>[red]x[/]`*$(id)"
    assert do(GOOD, segments=f'segment,start_s,end_s\n"{name}",0,1800\n').exit_code == 0
    shown = invoke("energy", str(tmp_path / "run")).stdout
    assert "[red]x[/]" in shown.replace("\n", "").replace(" ", "")
    assert load(tmp_path / "run").tags.records[0].name == name


def test_the_order_of_columns_and_blanks_do_not_matter(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    path.write_text("\ufefft_s\r\n 1 \r\n2\r\n", "utf-8")
    assert read_log(path, TIMES).values["t_s"].tolist() == [1, 2]
