"""What a calibration and a closure amount to, in lines and as plain values."""

from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

from analysis.calibrating.calibrate import Calibrated
from analysis.calibrating.closure import Closure
from analysis.outputs import wording
from parsers.text import printable


def lines(found: Calibrated, kept: Path | None) -> list[str]:
    """A calibration in words."""
    calibration, alignment = found.calibration, found.alignment
    drift = f", drifting by {alignment.drift_ratio * 1e6:.0f} ppm" if alignment.drift_ratio else ""
    noise = ", ".join(f"{mw:.3g} mW over {s:g} s" for s, mw in found.noise_mw.items())
    return [
        f"{found.phone}: {calibration.said}",
        f"compared in {found.n_blocks} blocks of {found.block_s:.0f} s, "
        f"{wording.number(calibration.low_mw, 0)} to {wording.number(calibration.high_mw, 0)} mW",
        f"meter's clock {alignment.offset_s:+.2f} s to the run's{drift}; "
        f"likeness {alignment.likeness:.3f}",
        *([f"gauge against meter scatters by {noise}"] if noise else []),
        f"kept for later runs of this phone: {kept}"
        if kept
        else "not kept for later runs: this run does not say which phone it was",
    ]


def to_json(found: Calibrated, kept: Path | None) -> dict[str, Any]:
    """A calibration as plain values."""
    return {
        "schema": 1,
        "phone": found.phone,
        "calibration": found.calibration.model_dump(mode="json"),
        "alignment": asdict(found.alignment),
        "n_blocks": found.n_blocks,
        "block_s": found.block_s,
        "n_effective": found.n_effective,
        "scatter_ratio": found.scatter_ratio,
        "noise_mw": {f"{s:g}": mw for s, mw in found.noise_mw.items()},
        "kept": kept is not None,
    }


def closure_line(found: Closure) -> str:
    """A closure in words, named as what it is."""
    ratio = found.ratio
    span = f"{100 * (ratio.lo95 or 0.0):.1f} to {100 * (ratio.hi95 or 0.0):.1f} %"
    return (
        f"{printable(found.phone)}: plausibility, no calibration: from 100 % to shut-off the "
        f"gauge counted {found.charge_mah:.0f} mAh, {100 * ratio.value:.1f} % (95 %: {span}) of "
        f"the rated {found.rated_mah:.0f} mAh; age and cut-off lower it"
    )


def closures_json(found: Sequence[Closure]) -> dict[str, Any]:
    """Closures as plain values."""
    return {"schema": 1, "what": "plausibility", "phones": [asdict(c) for c in found]}
