"""Energies of a run and what they say of its phones, cell by cell, as in a notebook."""

# %% A run is read from its folder; without an argument, the one that `rundown demo` made.
import sys
from pathlib import Path

import pandas as pd

from analysis import compare, energy, load

run = load(Path(sys.argv[1] if len(sys.argv) > 1 else "shift-demo"))
report = energy(run)

# %% Every segment with its 95 % interval. `amount` holds energy and doubt; powers follow from it.
segments = pd.DataFrame(
    {
        "phone": phone.phone,
        "segment": segment.segment,
        "energy_mwh": segment.amount.energy_mwh,
        "lo95_mwh": segment.amount.lo95_mwh,
        "hi95_mwh": segment.amount.hi95_mwh,
        "mean_power_mw": segment.amount.mean_power_mw,
        "temperature_max_c": segment.temperature_max_c,
    }
    for phone in report.phones
    for segment in phone.segments
)
print(segments.round(1).to_string(index=False))

# %% Segments and the untagged rest add up to the total.
for phone in report.phones:
    parts = sum(segment.amount.energy_mwh for segment in phone.segments)
    rest = phone.total.energy_mwh - phone.untagged.energy_mwh - parts
    print(f"{phone.phone}: {phone.total.energy_mwh:.0f} mWh, left over {abs(rest):.6f} mWh")

# %% Who drew less, and what cannot be told: all pairs of phones, adjusted for being many.
for one in compare([report]).between_phones:
    difference = one.contrast.difference_mw
    print(
        f"{one.activity}: {one.one} against {one.other}: {one.verdict.name.lower()}, "
        f"{difference.value:+.0f} mW (95 %: {difference.lo95:.0f} to {difference.hi95:.0f})"
    )

# %% The readings behind it, on one time axis per phone.
first = run.recordings[0]
print(first.readings[["t_s", "level_pct", "voltage_mv", "current_ma", "temperature_c"]].describe())
