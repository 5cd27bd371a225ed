"""Shut-off is only claimed with evidence."""

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from collector.recording.ending import cutoffs_seen, judge
from parsers.runfolder import Clocks, Manifest, PhoneEnd, PhoneEntry, RunFolder
from parsers.schema import Reading

NOON = datetime(2026, 5, 4, 12, tzinfo=UTC)


def reading(
    seq: int, level_pct: float | None, voltage_mv: float | None, plugged: bool | None = False
) -> Reading:
    return Reading(
        phone="alder-1",
        boot_id="0a1b2c3d",
        seq=seq,
        host_utc=NOON + timedelta(seconds=seq),
        host_s=float(seq),
        boot_s=float(seq),
        level_pct=level_pct,
        voltage_mv=voltage_mv,
        plugged=plugged,
    )


@pytest.mark.parametrize(
    ("level_pct", "voltage_mv", "plugged", "what"),
    [
        (1.0, 3320.0, False, "shut_off"),
        (0.0, None, None, "shut_off"),
        (None, 3400.0, False, "shut_off"),
        (40.0, 3800.0, False, "link_lost"),
        (1.0, 3320.0, True, "link_lost"),
        (None, None, None, "link_lost"),
    ],
)
def test_verdicts(
    level_pct: float | None, voltage_mv: float | None, plugged: bool | None, what: str
) -> None:
    silent = NOON + timedelta(minutes=1)
    end = judge([reading(1, level_pct, voltage_mv, plugged)], silent)
    assert end.what == what
    assert end.last_answer_utc == NOON + timedelta(seconds=1)
    assert end.silent_utc == silent


def test_the_last_known_value_of_each_kind_counts() -> None:
    end = judge([reading(1, 2.0, None), reading(2, None, 3500.0)], NOON)
    assert end.what == "shut_off"
    assert end.evidence == "last seen at level 2 %, 3500 mV"


def test_nothing_seen_is_no_evidence() -> None:
    end = judge([], NOON)
    assert (end.what, end.last_answer_utc) == ("link_lost", None)
    assert "no battery reading" in end.evidence


def falling(mv_per_s: float, last_mv: float) -> list[Reading]:
    return [reading(n, 9.0, last_mv - mv_per_s * (n - 60)) for n in range(61)]


def test_a_cut_off_seen_before_counts_with_the_way_the_voltage_falls() -> None:
    slow, fast = falling(-0.1, 3560.0), falling(1.0, 3560.0)
    assert judge(fast, NOON).what == "link_lost", "no phone is known to end there"
    assert judge(slow, NOON, cutoff_mv=3480.0).what == "link_lost"
    end = judge(fast, NOON, cutoff_mv=3480.0)
    assert end.what == "shut_off"
    assert "falling 60 mV a minute" in end.evidence
    assert "it shut off at 3480 mV before" in end.evidence
    assert end.last_voltage_mv == pytest.approx(3560.0)


def test_whether_it_has_restarted_is_evidence_too() -> None:
    empty = [reading(1, 1.0, 3320.0)]
    assert "started anew since" in judge(empty, NOON, restarted=True).evidence
    assert judge(empty, NOON, restarted=True).what == "shut_off"
    assert judge(empty, NOON, restarted=False).what == "link_lost", "it was never off"


def test_cut_offs_are_remembered_from_other_runs(tmp_path: Path) -> None:
    for name, mv, what in (
        ("a", 3300.0, "shut_off"),
        ("b", 3350.0, "shut_off"),
        ("c", 3900.0, "stopped"),
    ):
        manifest = Manifest(
            run_id=name,
            tool_version="1",
            clocks=Clocks(utc=NOON, host_s=0.0),
            phones=(
                PhoneEntry(
                    label="alder-1",
                    phone_hash="h",
                    end=PhoneEnd.model_validate({"what": what, "last_voltage_mv": mv}),
                ),
            ),
        )
        RunFolder(tmp_path / name).write_manifest(manifest)
    (tmp_path / "d").mkdir()
    (tmp_path / "d" / "run.json").write_text("{}")
    assert cutoffs_seen(tmp_path) == {"h": 3350.0}
