# SPDX-License-Identifier: GPL-3.0-or-later
"""Waveform arrays in, figures out. Nothing here reads a prediction, a board file or a netlist."""

from __future__ import annotations

from harness.measure.aberrations import Aberrations, aberrations
from harness.measure.cycle import Probes, SettledCycles, measure_cycle, settled_cycles
from harness.measure.levels import StateLevels, output_resistance, state_levels
from harness.measure.pulse import Pulse, pulse_figures
from harness.measure.ramp import Threshold, ramp_figures, threshold_figures
from harness.measure.spectrum import harmonics, level_vs_square, mean_and_ac_rms

__all__ = [
    "Aberrations",
    "Probes",
    "Pulse",
    "SettledCycles",
    "StateLevels",
    "Threshold",
    "aberrations",
    "harmonics",
    "level_vs_square",
    "mean_and_ac_rms",
    "measure_cycle",
    "output_resistance",
    "pulse_figures",
    "ramp_figures",
    "settled_cycles",
    "state_levels",
    "threshold_figures",
]
