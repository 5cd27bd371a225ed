"""What was checked and what slipped stands beside energies and verdicts."""

import json
import shutil
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

import rundown
from analysis.accounting import energy
from analysis.comparison.comparing import Compared, Measured, compare
from analysis.lasting.outlook import outlook
from analysis.readings.run import load
from parsers.checks import CheckRecord, Finding
from parsers.slips import SlipRecord
from parsers.tags import TagRecord

START = datetime(2026, 5, 4, 6, 0, tzinfo=UTC)
HOST_S = 1000.0


def checked(run: Path, at_s: float, **found: dict[str, str]) -> None:
    """A check at a moment of the run: what each phone said, wrong where they differ."""
    findings = tuple(
        Finding(
            item=item.replace("_", " "),
            outcome="wrong" if len(set(said.values())) > 1 else "good",
            found={f"{tree}-1": value for tree, value in said.items()},
        )
        for item, said in found.items()
    )
    record = CheckRecord(made_utc=START + timedelta(seconds=at_s), when="start", findings=findings)
    with (run / "checks.jsonl").open("a") as file:
        file.write(f"{record.model_dump_json()}\n")


def slip(run: Path, begin_s: float, over_s: float | None, **facts: Any) -> None:
    """A game in front on one phone; not over if nothing says so."""
    given = {
        "kind": "wrong_app",
        "phone": "birch-1",
        "text": "org.example.tiles in front",
        **facts,
    }
    lines = []
    for what, at_s in (("began", begin_s), ("over", over_s)):
        if at_s is not None:
            record = SlipRecord(
                what=what,  # type: ignore[arg-type]  # one of the two
                id=f"{begin_s}",
                at_utc=START + timedelta(seconds=at_s),
                at_host_s=HOST_S + at_s,
                **given,
            )
            lines.append(f"{record.model_dump_json()}\n")
    with (run / "slips.jsonl").open("a") as file:
        file.write("".join(lines))


def compared(*runs: Path) -> Compared:
    found = [load(run) for run in runs]
    return compare([Measured.of(run, energy(run), str(run.path)) for run in found])


def said(found: Compared, activity: str, one: str, other: str) -> list[str]:
    """The sentences beside one verdict between phones."""
    (row,) = (
        c
        for c in found.between_phones
        if c.activity == activity and {c.one, c.other} == {one, other}
    )
    return [line for line in row.confounders if "as checked" in line or "tiles" in line]


def test_a_slip_is_a_flag_of_its_segment_and_phone_alone(run_path: Path) -> None:
    slip(run_path, 100.0, 160.0)
    report = energy(load(run_path))
    flags = {
        (phone.phone, s.segment): [flag for flag in s.flags if "tiles" in flag]
        for phone in report.phones
        for s in phone.segments
    }
    told = "org.example.tiles in front (06:01:40 to 06:02:40 UTC)"
    assert flags.pop(("birch-1", "navigation")) == [told]
    assert not any(flags.values())
    assert report.needs_attention
    found = compared(run_path)
    assert said(found, "navigation", "alder-1", "birch-1") == [f"birch-1: {told}"]
    assert said(found, "voice call", "alder-1", "birch-1") == []


def test_a_slip_that_was_never_over_reaches_the_end(run_path: Path) -> None:
    slip(run_path, 390.0, None)
    phone = energy(load(run_path)).phones[1]
    assert [any("tiles" in flag for flag in s.flags) for s in phone.segments] == [True, True]


def test_what_the_readings_tell_themselves_is_not_told_twice(run_path: Path) -> None:
    slip(run_path, 100.0, 160.0, kind="cable", text="a supply is attached")
    flags = [f for p in energy(load(run_path)).phones for s in p.segments for f in s.flags]
    assert not any("supply" in flag for flag in flags)


def test_a_slip_without_the_computers_clock_is_placed_by_the_wall_clock(run_path: Path) -> None:
    slip(run_path, 500.0, 520.0)
    text = (run_path / "slips.jsonl").read_text()
    records = [json.loads(line) | {"at_host_s": None} for line in text.splitlines()]
    (run_path / "slips.jsonl").write_text("".join(f"{json.dumps(r)}\n" for r in records))
    phone = energy(load(run_path)).phones[1]
    assert [any("tiles" in flag for flag in s.flags) for s in phone.segments] == [False, True]


def test_what_a_check_found_unequal_stands_beside_the_pairs_it_concerns(run_path: Path) -> None:
    automatic = {"alder": "on", "birch": "off", "cedar": "off"}
    checked(run_path, -5.0, automatic_brightness=automatic, volume=dict.fromkeys(automatic, "4"))
    found = compared(run_path)
    line = "automatic brightness, as checked: alder-1 on, birch-1 off"
    for activity in ("navigation", "voice call", "whole run"):
        assert said(found, activity, "alder-1", "birch-1") == [line]
        assert said(found, activity, "birch-1", "cedar-1") == []
    assert not any("nobody checked" in remark for remark in found.remarks)


def test_a_later_check_that_is_good_ends_it(run_path: Path) -> None:
    checked(run_path, -5.0, battery_saver={"alder": "on", "birch": "off"})
    checked(run_path, 395.0, battery_saver={"alder": "off", "birch": "off"})
    found = compared(run_path)
    unlike = ["battery saver, as checked: alder-1 on, birch-1 off"]
    assert said(found, "navigation", "alder-1", "birch-1") == unlike
    assert said(found, "voice call", "alder-1", "birch-1") == []
    assert said(found, "whole run", "alder-1", "birch-1") == unlike


def test_runs_that_were_each_fair_may_still_differ(run_path: Path, tmp_path: Path) -> None:
    other = tmp_path / "other"
    shutil.copytree(run_path, other)
    manifest = (other / "run.json").read_text().replace('"run-1"', '"run-2"')
    (other / "run.json").write_text(manifest)
    levels = {"alder": "98 %", "birch": "97 %", "cedar": "97 %"}
    for run, theme in ((run_path, "off"), (other, "on")):
        checked(run, -5.0, dark_theme=dict.fromkeys(levels, theme))
    checked(other, -5.0, charge=dict.fromkeys(levels, "97 %"))
    rows = compared(run_path, other).between_runs
    lines = {line for row in rows for line in row.confounders if "as checked" in line}
    assert lines == {f"dark theme, as checked: {other} on, {run_path} off"}


def test_the_command_says_all_of_it(run_path: Path) -> None:
    without = CliRunner().invoke(rundown.app, ["compare", str(run_path)])
    assert "nobody checked whether the phones were set alike" in " ".join(without.stdout.split())
    checked(run_path, -5.0, battery_saver={"alder": "on", "birch": "off"})
    slip(run_path, 100.0, 160.0)
    done = CliRunner().invoke(rundown.app, ["compare", str(run_path), "--json"])
    rows = json.loads(done.stdout)["between_phones"]
    lines = [line for row in rows for line in row["confounders"]]
    assert any("battery saver, as checked" in line for line in lines)
    assert any("org.example.tiles in front" in line for line in lines)
    assert done.exit_code == 1


@pytest.mark.parametrize("name", ["slips.jsonl", "checks.jsonl"])
def test_a_file_that_is_no_text_is_said_so(run_path: Path, name: str) -> None:
    (run_path / name).write_bytes(b"\xff\xfe")
    done = CliRunner().invoke(rundown.app, ["compare", str(run_path)])
    assert done.exit_code == 4
    assert f"{name}: not UTF-8 text" in done.stderr


def cut_out(run: Path, begin_s: float, until_s: float, name: str, phone: str | None) -> None:
    record = TagRecord(
        what="cut",
        id=f"{begin_s}",
        of=name,
        phone=phone,
        at_utc=START + timedelta(seconds=begin_s),
        at_host_s=HOST_S + begin_s,
        until_utc=START + timedelta(seconds=until_s),
        until_host_s=HOST_S + until_s,
        made_utc=START,
    )
    with (run / "tags.jsonl").open("a") as file:
        file.write(f"{record.model_dump_json(exclude_none=True)}\n")


def test_parts_of_a_segment_are_one_activity(run_path: Path) -> None:
    before = energy(load(run_path)).phones[1]
    slip(run_path, 130.0, 160.0)
    cut_out(run_path, 100.0, 160.0, "line-1", "birch-1")
    report = energy(load(run_path))
    phone = report.phones[1]
    assert [(s.segment, s.occurrence, round(s.amount.duration_s)) for s in phone.segments] == [
        ("navigation", 1, 80), ("navigation, part 2", 1, 240), ("voice call", 1, 250),
    ]  # fmt: skip
    assert not any("tiles" in flag for s in phone.segments for flag in s.flags), "it is cut out"
    assert any("behind a span that was cut out" in fact for fact in phone.segments[1].facts)
    parts = [s.amount for s in phone.segments[:2]]
    whole = phone.wholes["navigation", 1]
    assert whole.energy_mwh == pytest.approx(sum(part.energy_mwh for part in parts))
    assert whole.duration_s == pytest.approx(320.0, abs=0.1)
    assert whole.u_mwh < sum(part.u_mwh for part in parts)
    every = [*(s.amount for s in phone.segments), phone.untagged]
    assert sum(a.energy_mwh for a in every) == pytest.approx(phone.total.energy_mwh)
    assert phone.total.energy_mwh == pytest.approx(before.total.energy_mwh, rel=1e-3)
    rows = compared(run_path).between_phones
    assert {(row.activity, row.occurrence) for row in rows} == {
        ("whole run", 0), ("navigation", 1), ("voice call", 1),
    }  # fmt: skip
    told = [line for row in rows for line in row.confounders if "lasted" in line]
    assert "alder-1 and birch-1 lasted 6 min and 5 min" in told
    hours = {a.activity for p in outlook(load(run_path)).phones for a in p.activities}
    assert hours == {"navigation", "voice call"}


def test_parts_do_not_shift_the_count_of_what_comes_later(run_path: Path) -> None:
    with (run_path / "tags.jsonl").open("a") as file:
        for what, at_s in (("begin", 700.0), ("end", 900.0)):
            record = TagRecord(
                what=what,  # type: ignore[arg-type]  # one of the two
                name="navigation",
                at_utc=START + timedelta(seconds=at_s),
                at_host_s=HOST_S + at_s,
                made_utc=START,
            )
            file.write(f"{record.model_dump_json(exclude_none=True)}\n")
    cut_out(run_path, 100.0, 160.0, "line-1", "birch-1")
    cut_out(run_path, 750.0, 800.0, "line-5", None)
    names = {
        phone.phone: [(s.segment, s.occurrence) for s in phone.segments]
        for phone in energy(load(run_path)).phones
    }
    second = [("voice call", 1), ("navigation", 2), ("navigation, part 2", 2)]
    assert names["alder-1"] == [("navigation", 1), *second]
    assert names["birch-1"] == [("navigation", 1), ("navigation, part 2", 1), *second]
    rows = compared(run_path).between_phones
    assert {(r.activity, r.occurrence) for r in rows} == {
        ("whole run", 0), ("navigation", 1), ("navigation", 2), ("voice call", 1),
    }  # fmt: skip
