"""Shut-off is only claimed with evidence."""

from datetime import UTC, datetime, timedelta

import pytest

from collector.ending import judge
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
