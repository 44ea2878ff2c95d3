# SPDX-License-Identifier: GPL-3.0-or-later
"""A small board file for tests: the slicing stage alone, on an ideal ramp from 0.6 V to 7.5 V."""

from __future__ import annotations

from pathlib import Path

SLICER = """\
[board]
format = 1
name = "slicer"
title = "Slicing stage on an ideal ramp"
revision = "A"
netlist = "slicer.cir"

[roles]
ramp = "ramp"
threshold = "thr"
output = "out"
comparator = "Xslice"
comparator_class = "393"
ramp_input = "minus"
pullup = "Rpull"
supply = "Vcc"
supplies = { vcc = "Vcc", rail = "Vrail" }
load_capacitor = "Cload"

[core]
kind = "ramp source"

[intended]
Rpull = "3.3k 1%"
Rcontrol = "100k 1%"
Rbias = "4M7 5%"
Rtop = 150e3
Vrail = "8 V 2%"
Cload = "470p"

[given]
saturation = "0.15 V"
foot = "600 mV"
top = "7.5 V"
period = "2 ms"

[axes.control]
values = [0, 2, 4, "6 V", 8]
unit = "V"
sets = "Vcontrol"

[axes.supply]
values = [13.5, 15, 16.5]
unit = "V"
sets = "Vcc"

[axes.temperature]
values = [0, 25, 50]

[corners]
grids = [
  ["control", "supply"],
  ["control", "temperature"],
]

[hand]
duty = "clip((threshold - foot)/(top - foot), 0, 1)"
threshold = "(control/Rcontrol + vrail/Rbias) * node"
node = "parallel(Rcontrol, Rbias, Rtop)"
frequency = "1/period"
low_level = "saturation"
high_level = "Vrail"
pullup_current = "(Vrail - saturation)/Rpull"
rise_time = "ln(9)*Rpull*Cload"

[expected]
duty = [
  { value = 0.271, at = { control = 4, supply = 15 } },
  { value = "50 %", at = { control = "6 V" } },
]
low_level = { value = "150 mV" }

[tolerance]
duty = 0.02
frequency = "5 cents"
low_level = "2 % of swing"
high_level = "50 mV"
pullup_current = "5 %"

[limits]
duty = { least = 0.0, most = 0.95 }
headroom = { least = "0 V" }
level_vs_square = { least = "-8 dB" }

[simulation]
accuracy = 1e-4
period = "2 ms"
seconds = 30
report_corners = ["c010"]
"""


NETLIST = """\
Slicing stage
.param knob=0.5
Vcontrol ctl 0 4
Vcc vcc 0 15
Vrail rail 0 8
Vramp ramp 0 PULSE(0.6 7.5 0 1.9m 0.1m 0.01m 2m)
Rcontrol ctl thr 100k
Rbias rail thr 4.7meg
Rtop thr 0 150k
Xslice thr ramp out vcc 0 sink
Rpull rail out 3.3k
Cload out 0 470p
.subckt sink p m o vcc vee
Rin p m 1meg
Rout o vee 1k
Rsupply vcc vee 100k
.ends
.end
"""


def write_board(folder: Path, text: str = SLICER, name: str = "slicer.board.toml") -> Path:
    """Writes a board file with its netlist beside it; returns the board file's path."""
    (folder / "slicer.cir").write_text(NETLIST, encoding="utf-8")
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


def changed(old: str, new: str, text: str = SLICER) -> str:
    """The text with one place changed; the place has to be there once."""
    assert text.count(old) == 1, old
    return text.replace(old, new)
