"""What recording takes is found again on a phone where it is known."""

import asyncio
from collections.abc import Iterator
from pathlib import Path

import pytest

from collector.adb import AdbServer
from collector.adb_server import PrivateAdbServer
from collector.errors import NoPhonesError
from collector.inventory.observer import Cost, keep_costs, known_costs, measure_cost
from collector.onphone import FOLDER, LoopSettings
from collector.virtual.clock import SteppedTime
from collector.virtual.farm import VirtualFarm
from collector.virtual.handset import ALDER, CEDAR, Handset, HandsetSpec, Stage
from collector.virtual.loads import MUSIC
from collector.virtual.phone import VirtualPhone

pytestmark = pytest.mark.timeout(60)


class Bed:
    """One phone that plays music, on a time that stands still until somebody waits."""

    def __init__(self, farm: VirtualFarm, private: PrivateAdbServer, spec: HandsetSpec) -> None:
        self.time = SteppedTime()
        stages = [Stage(activity=MUSIC, duration_s=1e6, name="music")]
        self.phone = VirtualPhone(Handset(spec, stages, seed=6, charge_ratio=0.8), self.time)
        self.farm = farm
        hosted = farm.add(self.phone)
        private.connect(hosted.address)
        self.adb = AdbServer(private.port).phone(hosted.address)

    def wait(self, seconds: float) -> None:
        for _ in range(int(seconds // 5)):
            self.farm.call(self.time.advance_to, self.time.monotonic_s() + 5.0)
            self.farm.call(self.settle)

    async def settle(self) -> None:
        while self.phone.recorder.is_running and not self.phone.is_idle:
            await asyncio.sleep(0)


@pytest.fixture(scope="module")
def servers() -> Iterator[tuple[VirtualFarm, PrivateAdbServer]]:
    with VirtualFarm() as farm, PrivateAdbServer() as private:
        yield farm, private


@pytest.mark.parametrize("cost_mj", [0.0, 6.0])
def test_the_cost_is_within_its_interval(
    servers: tuple[VirtualFarm, PrivateAdbServer], cost_mj: float
) -> None:
    bed = Bed(*servers, ALDER)
    bed.phone.recorder.tick_cost_mj = cost_mj
    cost = measure_cost(bed.adb, LoopSettings(fast="uevent"), bed.wait)
    assert cost.lo95_mw <= cost_mj <= cost.hi95_mw
    assert cost.lo95_mw < cost.mw_at_1hz < cost.hi95_mw
    assert cost.hi95_mw - cost.lo95_mw < 6.0
    assert bed.phone.files.find(FOLDER) is None, "nothing is left on the phone"


def test_a_phone_without_current_cannot_be_measured(
    servers: tuple[VirtualFarm, PrivateAdbServer],
) -> None:
    bed = Bed(*servers, CEDAR)
    with pytest.raises(NoPhonesError, match="reports no current"):
        measure_cost(bed.adb, LoopSettings(fast="none"), bed.wait, n_pairs=2, block_s=20.0)


def test_costs_are_kept(tmp_path: Path) -> None:
    path = tmp_path / "data" / "polling.json"
    assert known_costs(path) == {}
    one = Cost(mw_at_1hz=1.5, u_mw=0.2, lo95_mw=1.0, hi95_mw=2.0)
    keep_costs([("a" * 16, one)], path)
    keep_costs([("b" * 16, one)], path)
    assert known_costs(path) == {"a" * 16: one, "b" * 16: one}
    path.write_text("[]")
    assert known_costs(path) == {}
