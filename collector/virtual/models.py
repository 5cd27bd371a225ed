"""The handsets of the demonstration: three invented phones with very different gauges."""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from collector.virtual.cell import CellSpec
from collector.virtual.profiles import (
    LIVE_MICROAMP,
    MILLIAMP_INVERTED,
    PERCENT_ONLY,
    GaugeProfile,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class HandsetSpec:
    """One model of phone.

    Attributes:
        key: short name, safe in file names.
        device: code name, as `ro.product.device`.
        release: Android version as shown to people; `api` is its number for programs.
        build: the build's incremental version.
        rated_capacity_mah: what the maker prints; the cell has its own true capacity.
        n_cycles: charge cycles the pack has seen.
        power_ratios: this phone's power per activity name against the reference phone.
    """

    key: str
    model: str
    device: str
    release: str
    api: int
    build: str
    rated_capacity_mah: float
    cell: CellSpec
    gauge: GaugeProfile
    n_cycles: int = 0
    power_ratios: Mapping[str, float] = field(default_factory=dict)

    @property
    def fingerprint(self) -> str:
        """As `ro.build.fingerprint`."""
        return (
            f"example/{self.device}/{self.device}:{self.release}/{self.build}/1:user/release-keys"
        )


ALDER = HandsetSpec(
    key="alder",
    model="Alder",
    device="alder",
    release="16",
    api=36,
    build="AE1A.260405.002",
    rated_capacity_mah=4000.0,
    cell=CellSpec(capacity_mah=4052.0, r0_mohm=70.0),
    gauge=replace(LIVE_MICROAMP, gain_ratio=0.0042, offset_ma=0.15, voltage_gain_ratio=0.0008),
    n_cycles=41,
    power_ratios={"navigation": 1.04, "parcel_scanning": 0.97, "standby": 1.08, "game": 1.05},
)
BIRCH = HandsetSpec(
    key="birch",
    model="Birch",
    device="birch",
    release="13",
    api=33,
    build="TB2B.230911.014",
    rated_capacity_mah=3900.0,
    cell=CellSpec(capacity_mah=3841.0, r0_mohm=82.0),
    gauge=replace(MILLIAMP_INVERTED, gain_ratio=-0.0061, offset_ma=-0.4, voltage_gain_ratio=0.001),
    n_cycles=187,
    power_ratios={"navigation": 0.93, "voice_call": 1.07, "standby": 0.95, "music": 1.12},
)
CEDAR = HandsetSpec(
    key="cedar",
    model="Cedar",
    device="cedar",
    release="11",
    api=30,
    build="RC1C.210318.007",
    rated_capacity_mah=3500.0,
    cell=CellSpec(capacity_mah=3458.0, r0_mohm=96.0),
    gauge=replace(PERCENT_ONLY, voltage_gain_ratio=-0.0015),
    n_cycles=365,
    power_ratios={"navigation": 0.9, "parcel_scanning": 0.88, "voice_call": 0.94, "game": 0.9},
)

HANDSETS: tuple[HandsetSpec, ...] = (ALDER, BIRCH, CEDAR)
