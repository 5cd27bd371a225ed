"""What an external meter has told of a phone's gauge, kept for later runs of that phone."""

import re
from dataclasses import replace
from pathlib import Path

import numpy as np
from platformdirs import user_data_path
from pydantic import AwareDatetime, BaseModel, ConfigDict, Field, ValidationError

from analysis.errors import LogError
from analysis.estimation.estimate import Cause, Component, Estimate
from analysis.estimation.profile import S_PER_H, Floats
from analysis.estimators import level
from parsers.runfolder import replace_file

_HASH = re.compile(r"[0-9a-f]{2,64}")


class Calibration(BaseModel):
    """The gauge of one phone as a straight line of what a meter read: gain x meter + offset.

    Attributes:
        phone_hash: recognises the phone.
        gain: by which the gauge overstates power.
        offset_mw: what it reads at none.
        gain_u: standard uncertainty, the meter's own included.
        offset_u_mw: standard uncertainty.
        correlation: between the two.
        low_mw: least power it was compared at.
        high_mw: most.
        run: id of the run it comes from.
        run_utc: when that run began.
        meter: name of the meter's log.
    """

    model_config = ConfigDict(extra="forbid", frozen=True)

    phone_hash: str
    gain: float = Field(gt=0.2, lt=5)
    offset_mw: float = Field(allow_inf_nan=False)
    gain_u: float = Field(gt=0, allow_inf_nan=False)
    offset_u_mw: float = Field(gt=0, allow_inf_nan=False)
    correlation: float = Field(gt=-1, lt=1)
    low_mw: float
    high_mw: float
    run: str
    run_utc: AwareDatetime
    meter: str

    @property
    def said(self) -> str:
        """In a sentence."""
        return (
            f"gauge calibrated against a meter on {self.run_utc:%d %B %Y}: gain {self.gain:.4f} "
            f"± {2 * self.gain_u:.4f}, offset {self.offset_mw:.1f} ± {2 * self.offset_u_mw:.1f} mW"
        )


def folder() -> Path:
    """Where this user's calibrations are kept."""
    return user_data_path("phone-rundown", appauthor=False) / "calibrations"


def calibration_for(phone_hash: str, beside: Path | None = None) -> Calibration | None:
    """The last calibration of a phone; None if there is none.

    Args:
        phone_hash: recognises the phone.
        beside: a run folder; one that was passed on brings its calibrations along.

    Raises:
        LogError: if what was kept cannot be read.
    """
    if not _HASH.fullmatch(phone_hash):
        return None
    places = [folder()] if beside is None else [beside / "calibrations", folder()]
    for place in places:
        path = place / f"{phone_hash}.json"
        try:
            return Calibration.model_validate_json(path.read_bytes())
        except FileNotFoundError:
            continue
        except ValidationError as exc:
            raise LogError(
                str(path), "no calibration, or of another version; remove it and calibrate again"
            ) from exc
    return None


def keep(calibration: Calibration) -> Path:
    """Keeps a calibration in place of an earlier one of the same phone; gives the file.

    Raises:
        ValueError: if the phone has no hash by which a later run would recognise it.
        OSError: if it cannot be written.
    """
    if not _HASH.fullmatch(calibration.phone_hash):
        raise ValueError("this run does not say which phone it was, so a later one is not known")
    path = folder() / f"{calibration.phone_hash}.json"
    replace_file(path, calibration.model_dump_json(indent=2).encode() + b"\n")
    return path


def calibrated(calibration: Calibration | None, estimate: Estimate, borders_s: Floats) -> Estimate:
    """The estimate with gain and offset of the gauge taken out; as it is without a calibration.

    What the calibration leaves open takes the place of the default gain. Pieces that rest on the
    level stay as they are: their scale is the stated capacity.
    """
    if calibration is None:
        return estimate
    mine = np.array([method != level.NAME for method in estimate.method])
    gain = calibration.gain
    hours = np.diff(borders_s) / S_PER_H
    energy = np.where(
        mine, (estimate.energy_mwh - calibration.offset_mw * hours) / gain, estimate.energy_mwh
    )
    scale = np.where(mine, 1 / gain, 1.0)
    # Two causes without correlation that amount to gain and offset with theirs (Cholesky).
    by_gain = calibration.gain_u
    both = calibration.correlation * calibration.offset_u_mw
    alone = calibration.offset_u_mw * np.sqrt(1 - calibration.correlation**2)
    by_default = (Cause.CURRENT_GAIN, Cause.VOLTAGE_GAIN)
    kept = [
        c.scaled(np.where(mine, 0.0, 1.0) if c.name in by_default else scale)
        for c in estimate.components
    ]
    left = {
        Cause.CALIBRATED_GAIN: (by_gain * energy + both * hours) / gain,
        Cause.CALIBRATED_OFFSET: alone * hours / gain,
    }
    measured = [
        Component.common(
            cause, np.where(mine, u, 0.0), source="external meter", distribution="normal"
        )
        for cause, u in left.items()
    ]
    return replace(
        estimate,
        energy_mwh=energy,
        components=(*kept, *measured),
        notes=(*estimate.notes, calibration.said),
    )
