import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from analysis import energy, load
from analysis.errors import NothingRecordedError
from analysis.report import EnergyReport
from analysis.report_json import to_json
from parsers.errors import RunFolderError
from parsers.runfolder import GaugeFacts, PhoneEnd, RunFolder
from parsers.schema import Reading
from parsers.tables import read_table, write_table

SEGMENT_KEYS = [
    "segment", "occurrence", "start_utc", "end_utc", "duration_s",
    "energy_mwh", "energy_u_mwh", "energy_lo95_mwh", "energy_hi95_mwh", "energy_u_common_mwh",
    "mean_power_mw", "level_used_pct", "share_ratio", "method", "covered_ratio",
    "temperature_start_c", "temperature_mean_c", "temperature_max_c", "screen_on_s", "cut_short",
    "flags",
]  # fmt: skip


def test_json_is_as_agreed(report: EnergyReport) -> None:
    plain = json.loads(json.dumps(to_json(report), allow_nan=False))
    assert list(plain) == ["schema", "run", "phones"]
    assert (plain["schema"], plain["run"]) == (1, "run-1")
    for phone in plain["phones"]:
        told = ["notes", "facts", "findings"]
        assert list(phone) == ["phone", "gauge", "segments", "untagged", "total", *told]
        assert list(phone["gauge"]) == ["current_unit", "current_sign", "counter", "why"]
        assert list(phone["untagged"]) == ["duration_s", "energy_mwh"]
        assert list(phone["total"]) == ["duration_s", "energy_mwh", "energy_u_mwh", "shut_off_utc"]
        for segment in phone["segments"]:
            assert list(segment) == [*SEGMENT_KEYS, "true_energy_mwh"]
            assert segment["start_utc"].startswith("2026-05-04T06:0")
            assert segment["start_utc"].endswith("Z")


def test_segments_and_the_rest_add_up(report: EnergyReport) -> None:
    for phone in to_json(report)["phones"]:
        for key in ("energy_mwh", "duration_s"):
            parts = sum(s[key] for s in phone["segments"]) + phone["untagged"][key]
            assert parts == pytest.approx(phone["total"][key], rel=1e-12)


def test_truth_lies_in_the_intervals(report: EnergyReport) -> None:
    rows = [s for phone in to_json(report)["phones"] for s in phone["segments"]]
    assert len(rows) == 6
    for row in rows:
        assert row["energy_lo95_mwh"] <= row["true_energy_mwh"] <= row["energy_hi95_mwh"]
        assert 0 < row["energy_u_common_mwh"] <= row["energy_u_mwh"]
        reach = (row["energy_hi95_mwh"] - row["energy_mwh"]) / row["energy_u_mwh"]
        assert 1.65 < reach < 2.1
    for phone in report.phones:
        assert phone.true_total_mwh is not None
        assert phone.total.lo95_mwh < phone.true_total_mwh < phone.total.hi95_mwh


def test_what_else_is_told_of_a_segment(report: EnergyReport) -> None:
    navigation, call = report.phones[0].segments
    assert navigation.amount.duration_s == pytest.approx(380.0, abs=0.05)
    assert navigation.temperature_start_c == pytest.approx(25 + 20 / 600, abs=0.01)
    assert navigation.temperature_max_c == pytest.approx(25 + 400 / 600, abs=0.01)
    assert navigation.temperature_mean_c == pytest.approx(25 + 210 / 600, abs=0.01)
    assert navigation.screen_on_s == pytest.approx(180.0, abs=0.05)
    assert call.screen_on_s == 0.0
    assert navigation.level_used_pct is None
    levels = report.phones[2].segments
    assert levels[0].level_used_pct in (1.0, 2.0)
    shares = [s.share_ratio for s in report.phones[0].segments]
    total = report.phones[0].total.energy_mwh
    expected = [s.amount.energy_mwh / total for s in report.phones[0].segments]
    assert shares == pytest.approx(expected)


def test_a_real_run_knows_no_truth(
    tmp_path: Path, phones_made: list[Any], writing: Callable[..., Path], tagging: Any
) -> None:
    tags = [tagging("begin", 20.0, "navigation"), tagging("end", 400.0)]
    path = writing(tmp_path / "run", phones_made[:1], tags, virtual=False)
    report = energy(load(path))
    assert list(to_json(report)["phones"][0]["segments"][0]) == SEGMENT_KEYS
    assert report.phones[0].true_total_mwh is None


def test_manifest_facts_reach_the_report(run_path: Path) -> None:
    folder = RunFolder(run_path)
    manifest = folder.read_manifest()
    end = PhoneEnd(what="shut_off", last_answer_utc=manifest.clocks.utc)
    gauge = GaugeFacts(current_unit="mA", current_sign=-1, counter="cumulative", why="seen")
    first = manifest.phones[0].model_copy(update={"end": end, "gauge": gauge})
    others = manifest.phones[1:]
    folder.write_manifest(
        manifest.model_copy(update={"phones": (first, *others), "outcome": None})
    )
    report = energy(load(run_path))
    phone = to_json(report)["phones"][0]
    assert phone["total"]["shut_off_utc"] == "2026-05-04T06:00:00.000Z"
    assert phone["gauge"] == {
        "current_unit": "mA",
        "current_sign": -1,
        "counter": "cumulative",
        "why": "seen",
    }
    assert report.interrupted
    assert report.needs_attention


def rewritten(
    path: Path, change: Callable[[dict[str, Any]], dict[str, Any]], phone: str = "alder-1"
) -> Path:
    tables = RunFolder(path).tables
    rows = read_table(tables / "readings").to_pylist()
    mine = [Reading(**change(row)) for row in rows if row["phone"] == phone]
    write_table(tables, "readings", phone, mine, {})
    return path


def test_doubtful_stretches_are_flagged(run_path: Path) -> None:
    def change(row: dict[str, Any]) -> dict[str, Any]:
        t_s = row["boot_s"] - 52_000
        return row | {"plugged": 100 < t_s < 200, "trusted": not 250 < t_s < 300}

    navigation = energy(load(rewritten(run_path, change))).phones[0].segments[0]
    assert any(flag.startswith("plugged in for ") for flag in navigation.flags)
    assert any(flag.startswith("values simulated or frozen for ") for flag in navigation.flags)
    # The counter goes on while values are held back, so the energy is still known.
    assert navigation.true_energy_mwh == pytest.approx(navigation.amount.energy_mwh, rel=0.03)


def test_missing_readings_are_flagged_and_shared_out(run_path: Path) -> None:
    tables = RunFolder(run_path).tables
    rows = [r for r in read_table(tables / "readings").to_pylist() if r["phone"] == "alder-1"]
    kept = [Reading(**r) for r in rows if not 500 < r["boot_s"] - 52_000 < 600]
    write_table(tables, "readings", "alder-1", kept, {})
    report = energy(load(run_path))
    call = report.phones[0].segments[1]
    assert any(flag.startswith("no readings for 10") for flag in call.flags)
    assert report.needs_attention
    power = report.phones[0].traces.power_mw
    assert np.isfinite(power).sum() >= len(power) - 2


def test_a_restart_is_told_and_time_goes_on(run_path: Path) -> None:
    def change(row: dict[str, Any]) -> dict[str, Any]:
        if row["boot_s"] < 52_600:
            return row
        later = row["boot_s"] - 52_600 + 10
        awake = None if row["awake_s"] is None else row["awake_s"] - 590
        return row | {"boot_id": "00000002", "boot_s": later, "awake_s": awake}

    run = load(rewritten(run_path, change))
    t_s = run.recordings[0].readings["t_s"].to_numpy()
    assert (np.diff(t_s) > 0).all()
    assert t_s[-1] - t_s[0] == pytest.approx(1000.0, abs=0.2)
    phone = energy(run).phones[0]
    assert "the phone restarted 1 time" in phone.notes
    assert phone.true_total_mwh is None


def test_double_readings_are_left_out(run_path: Path) -> None:
    tables = RunFolder(run_path).tables
    rows = [r for r in read_table(tables / "readings").to_pylist() if r["phone"] == "alder-1"]
    before = energy(load(run_path)).phones[0].total
    write_table(tables, "readings", "alder-1", [Reading(**r) for r in rows + rows[:50]], {})
    phone = energy(load(run_path)).phones[0]
    assert phone.total.energy_mwh == pytest.approx(before.energy_mwh, rel=1e-9)
    assert any(note.startswith("50 readings left out: double") for note in phone.notes)


def test_a_package_in_front_outside_its_segment_is_told(
    tmp_path: Path, phones_made: list[Any], writing: Callable[..., Path], tagging: Any
) -> None:
    tags = [tagging("begin", 0.0, "navigation"), tagging("end", 300.0)]
    path = writing(tmp_path / "run", phones_made[:1], tags)
    notes = energy(load(path)).phones[0].notes
    assert "com.example.courier was in front for 100 s outside any segment" in notes


def test_nothing_to_read_is_said(run_path: Path, tmp_path: Path) -> None:
    with pytest.raises(RunFolderError):
        load(tmp_path / "nowhere")
    folder = RunFolder(run_path)
    for label in ("alder-1", "birch-1", "cedar-1"):
        write_table(folder.tables, "readings", label, [], {})
    with pytest.raises(NothingRecordedError, match="no phone has readings"):
        load(run_path)


def test_a_phone_that_tells_nothing_does_not_hide_the_others(run_path: Path) -> None:
    def change(row: dict[str, Any]) -> dict[str, Any]:
        return row | {"current_ma": None, "charge_counter_mah": None}

    report = energy(load(rewritten(run_path, change)))
    assert [phone.phone for phone in report.phones] == ["birch-1", "cedar-1"]
    (note,) = (note for note in report.notes if note.startswith("alder-1: neither current"))
    assert note.count("rebuild the tables with `rundown tidy`, or record again") == 1

    def nothing(row: dict[str, Any]) -> dict[str, Any]:
        return change(row) | {"level_pct": None}

    for phone in ("birch-1", "cedar-1"):
        rewritten(run_path, nothing, phone)
    with pytest.raises(NothingRecordedError) as caught:
        energy(load(run_path))
    assert str(caught.value).count("neither current") == 3
    assert str(caught.value).count("rebuild the tables") == 1
