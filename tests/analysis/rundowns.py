"""Run folders of one phone run down, its true energy known; written out by arithmetic alone."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import numpy.typing as npt

from collector.virtual.cell import INVENTED_OCV
from parsers.runfolder import Clocks, Manifest, PhoneEnd, PhoneEntry, RunFolder
from parsers.schema import Reading
from parsers.tables import write_table
from parsers.tags import TagRecord

FIXTURES = Path(__file__).parents[2] / "fixtures" / "reference"
START = datetime(2026, 5, 4, 6, 0, tzinfo=UTC)
TICK_S = 5.0
CAPACITY_MAH = 1000.0
SHIFT = (("navigation", 1800.0, 300.0), ("standby", 3600.0, 40.0), ("call", 1200.0, 150.0))
"""Name, seconds, milliamperes, over and over."""


Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]
Pack = Callable[[Floats], Floats]
Kept = Callable[[Floats], Bools]


def straight(charge_ratio: Floats) -> Floats:
    """3.4 to 4.2 V."""
    return 3400 + 800 * charge_ratio


def phone_cell(charge_ratio: Floats) -> Floats:
    """The cell of the virtual phones."""
    charge, volts_mv = np.array(INVENTED_OCV).T
    volts: Floats = np.interp(charge_ratio, charge, volts_mv)
    return volts


def laboratory_cell(name: str) -> Pack:
    """One that somebody discharged in a laboratory."""
    table = np.genfromtxt(FIXTURES / name, delimiter=",", skip_header=1)
    left = 1 - table[:, 3] / table[-1, 3]
    return lambda charge_ratio: np.interp(charge_ratio, left[::-1], 1000 * table[::-1, 2])


@dataclass(frozen=True)
class Made:
    """A run-down with what is true of it."""

    path: Path
    energy_mwh: float
    power_mw: dict[str, float]
    hours: float


def make(
    path: Path,
    stages: tuple[tuple[str, float, float], ...] = SHIFT,
    *,
    gain: float = 1.0,
    first_pct: float = 100.0,
    end: str = "shut_off",
    capacity_mah: float | None = CAPACITY_MAH,
    low_ratio: float = 1.0,
    pack: Pack = straight,
    kept: Kept = lambda level_pct: np.ones(len(level_pct), dtype=bool),
    plugged_s: tuple[float, float] = (0.0, 0.0),
    charge_mah: float = CAPACITY_MAH,
    noise_ratio: float = 0.02,
    silent_s: float = 12.0,
) -> Made:
    """A pack run down to nothing by stages; then it shuts off.

    Args:
        capacity_mah: as stated.
        low_ratio: current below 20 % over that above.
        pack: its voltage in mV at a share of its charge.
        kept: which readings were recorded, by the level shown.
        plugged_s: when a cable was in, without charging.
        charge_mah: what the pack really holds.
        noise_ratio: scatter of the current from reading to reading.
        silent_s: from the last answer until it was found silent.
    """
    charge, t_s = first_pct / 100 * charge_mah, 0.0
    rows: list[tuple[float, float, float]] = []
    spans: list[tuple[str, float, float]] = []
    rng = np.random.default_rng(1)
    while charge > 0:
        name, length_s, drawn_ma = stages[len(spans) % len(stages)]
        begun_s = t_s
        for _ in range(round(length_s / TICK_S)):
            low = low_ratio if charge <= 0.2 * charge_mah else 1.0
            drawn = drawn_ma * low * (1 + noise_ratio * float(rng.standard_normal()))
            rows.append((t_s, charge, drawn))
            t_s, charge = t_s + TICK_S, charge - drawn * TICK_S / 3600
            if charge <= 0:
                break
        spans.append((name, begun_s, begun_s + length_s))
    times, charges, amps = (np.array(column) for column in zip(*rows, strict=True))
    volts = pack(charges / charge_mah)
    levels = np.ceil(charges / charge_mah * 100)
    recorded = np.flatnonzero(kept(levels))
    step_mwh = amps * volts / 1000 * TICK_S / 3600
    done = np.searchsorted([b for _, _, b in spans], times, side="right")
    names = np.array([name for name, _, _ in spans])[done]
    above = charges > 0.2 * charge_mah
    folder = RunFolder(path)
    write_table(
        folder.tables,
        "readings",
        "alder-1",
        [
            Reading(
                phone="alder-1",
                boot_id="0badcafe",
                seq=int(k),
                host_utc=START + timedelta(seconds=float(times[k])),
                host_s=float(times[k]),
                boot_s=float(times[k]),
                level_pct=float(levels[k]),
                voltage_mv=float(volts[k]),
                current_ma=-gain * float(amps[k]),
                charge_counter_mah=round(gain * float(charges[k]), 2),
                plugged=plugged_s[0] <= float(times[k]) < plugged_s[1],
            )
            for k in recorded
        ],
        {},
    )
    last = START + timedelta(seconds=float(times[recorded[-1]]))
    folder.write_manifest(
        Manifest(
            run_id=path.name,
            tool_version="0.1.0",
            clocks=Clocks(utc=START, host_s=0.0),
            outcome="finished",
            phones=(
                PhoneEntry(
                    label="alder-1",
                    phone_hash="0a",
                    capacity_mah=capacity_mah,
                    end=PhoneEnd.model_validate(
                        {
                            "what": end,
                            "last_answer_utc": last,
                            "silent_utc": last + timedelta(seconds=silent_s),
                        }
                    ),
                ),
            ),
        )
    )
    tags = [
        TagRecord(
            what=what,  # type: ignore[arg-type]
            name=name,
            at_utc=START + timedelta(seconds=at),
            at_host_s=at,
            made_utc=START,
        )
        for name, a, b in spans
        for what, at in (("begin", a), ("end", b))
    ]
    folder.tags_path.write_text("".join(t.model_dump_json() + "\n" for t in tags), "utf-8")
    return Made(
        path=path,
        energy_mwh=float(step_mwh.sum()),
        power_mw={
            name: float(step_mwh[mine].sum() / (mine.sum() * TICK_S / 3600))
            for name in dict.fromkeys(names.tolist())
            if (mine := (names == name) & above).any()
        },
        hours=float(times[-1]) / 3600,
    )
