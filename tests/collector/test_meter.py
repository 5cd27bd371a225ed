"""The running estimate of the live view, against a virtual phone's true energy."""

from datetime import UTC, datetime, timedelta

import pytest

from collector.onphone import LoopSettings
from collector.screen.meter import Meter
from collector.virtual.handset import ALDER, BIRCH, CEDAR, Handset, HandsetSpec, Stage
from collector.virtual.loads import NAVIGATION
from collector.virtual.loop import LoopTwin
from parsers.assemble import Assembler

START = datetime(2026, 5, 4, tzinfo=UTC)


@pytest.mark.parametrize(
    ("spec", "fast", "tolerance_ratio"),
    [(ALDER, "uevent", 0.03), (BIRCH, "property", 0.06)],
    ids=["file", "property"],
)
def test_it_is_near_the_truth(spec: HandsetSpec, fast: str, tolerance_ratio: float) -> None:
    meter, true_mwh = follow(spec, fast, 900)
    assert meter.energy_mwh == pytest.approx(true_mwh, rel=tolerance_ratio)
    assert meter.power_mw is not None
    assert 1000 < meter.power_mw < 6000


def test_energy_counts_from_the_moment_asked_for_though_the_unit_was_told_later() -> None:
    meter, true_mwh = follow(ALDER, "uevent", 300)
    assert meter.energy_mwh is not None
    assert meter.since_mwh(0.0) == pytest.approx(meter.energy_mwh)
    first, rest = meter.since_mwh(0.5), meter.since_mwh(150.0)
    assert first is not None
    assert rest is not None
    assert 0 < meter.energy_mwh - first < 0.01 * true_mwh
    assert rest == pytest.approx(true_mwh / 2, rel=0.1)
    assert meter.since_mwh(299.5) == 0.0


def test_a_phone_that_tells_only_percents_shows_nothing() -> None:
    meter, _ = follow(CEDAR, "none", 300)
    assert meter.energy_mwh is None
    assert meter.power_mw is None


def follow(spec: HandsetSpec, fast: str, n_ticks: int) -> tuple[Meter, float]:
    handset = Handset(spec, [Stage(name="n", activity=NAVIGATION, duration_s=9000)], seed=2)
    loop = LoopTwin(LoopSettings(fast=fast))  # type: ignore[arg-type]
    assembler, meter = Assembler("phone-1"), Meter(spec.rated_capacity_mah)
    begin_s = handset.boot_s
    for n in range(n_ticks):
        handset.advance_to(begin_s + n)
        block = loop.block(handset.state())
        tick = assembler.feed(block, START + timedelta(seconds=n), float(n))
        meter.follow(tick.reading)
    true_mwh = handset.true_energy_mwh(handset.boot_s) - handset.true_energy_mwh(begin_s)
    return meter, true_mwh
