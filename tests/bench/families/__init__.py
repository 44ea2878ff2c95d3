# SPDX-License-Identifier: GPL-3.0-or-later
"""Families of random circuits whose duty and frequency are known without the engine."""

from __future__ import annotations

import numpy as np

from families import (
    astable,
    averaged_threshold,
    exponential_converter,
    falling_follower,
    memoryless_slicer,
    opamp_jfet,
    real_core,
    real_slicer,
    reset_switch,
    smooth_slicer,
    transistor_pair,
    trip_delay,
    two_thresholds,
)
from families.circuit import Circuit, Family

FAMILIES: dict[str, Family] = {
    "reset_switch": reset_switch.draw,
    "trip_delay": trip_delay.draw,
    "two_thresholds": two_thresholds.draw,
    "smooth_slicer": smooth_slicer.draw,
    "astable": astable.draw,
    "averaged_threshold": averaged_threshold.draw,
    "opamp_jfet": opamp_jfet.draw,
    "falling_follower": falling_follower.draw,
    "exponential_converter": exponential_converter.draw,
    "transistor_pair": transistor_pair.draw,
    "real_slicer": real_slicer.draw,
    "real_core": real_core.draw,
    "memoryless_slicer": memoryless_slicer.draw,
}


def circuit_of(family: str, study: int, number: int) -> Circuit:
    """The circuit ``number`` of a family in a study; the same three always give the same circuit."""
    return FAMILIES[family](np.random.default_rng([study, list(FAMILIES).index(family), number]))
