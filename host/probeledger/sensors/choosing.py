"""A curve by what a person calls it: a built-in name, or a file that describes it."""

import os
from pathlib import Path

from probecore.curves import PlatinumCurve
from probeledger import curves
from probeledger.sensors import description
from probeledger.sensors.formulae import SensorCurve

__all__ = ["choose", "falls"]


def choose(name_or_file: str) -> PlatinumCurve | SensorCurve:
    """Return the curve.

    Args:
        name_or_file: name of a built-in curve, or path of a TOML file (docs/curves.md).

    Raises:
        probecore.errors.MisuseError: there is no curve of that name.
        InputError: the file cannot be read or describes no curve.
    """
    if name_or_file not in curves.BUILT_IN and (name_or_file.lower().endswith(".toml") or os.sep in name_or_file):
        return description.load(Path(name_or_file))
    return curves.curve(name_or_file)


def falls(curve: PlatinumCurve | SensorCurve) -> bool:
    """Tell whether the resistance falls with the temperature."""
    return curve.low_ohms > curve.high_ohms
