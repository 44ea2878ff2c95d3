# SPDX-License-Identifier: GPL-3.0-or-later
"""Outputs behind a coupling capacitor, with a comparator that is known and without one."""

from __future__ import annotations

from pathlib import Path

import pytest

from harness.board import load_board
from harness.coupling import behind_a_capacitor, floats
from harness.netlist import Netlist, read_netlist
from harness.planning import probes_of

FRAME = "title\nVcc vcc 0 9\nB1 pin 0 V = 4.5+4*tanh(v(vcc))\n"


def drawn(folder: Path, lines: str) -> Netlist:
    path = folder / "board.cir"
    path.write_text(f"{FRAME}{lines}\n")
    return read_netlist(path)


@pytest.mark.parametrize(
    ("lines", "alone"),
    [
        ("Cc pin out 1u\nRl out 0 10k", True),
        ("Rs pin a 1k\nCc a b 1u\nRo b out 100\nCk out 0 100p\nRl out 0 10k", True),
        ("Cc pin out 1u\nRl out vcc 10k\nRm out 0 10k", True),  # biased to the middle of the supply
        ("Rs pin out 1k\nCk out 0 1n", False),
        ("Cc pin out 1u\nRp pin out 10k", False),
        ("Cc pin out 1u\nD1 out vcc dd\n.model dd d", False),  # a clamp decides its level, too
        ("Rl out 0 10k\nCk out 0 1n\nRp pin 0 1k", False),  # nothing brings a pulse
        ("Vo out 0 1\nCc pin out 1u", False),
    ],
)
def test_an_output_that_a_capacitor_alone_feeds(tmp_path: Path, lines: str, alone: bool) -> None:
    assert floats(drawn(tmp_path, lines), "out") is alone


@pytest.mark.parametrize(
    ("lines", "behind"),
    [
        ("Cc pin out 1u\nRl out 0 10k", True),
        ("Cc pin out 1u\nD1 out vcc dd\n.model dd d", True),
        ("Rs pin out 1k\nCk out 0 1n", False),
        ("Rl out 0 10k\nCk out 0 1n\nRp pin 0 1k", False),  # ground leads nowhere
    ],
)
def test_from_a_comparator_to_the_output(tmp_path: Path, lines: str, behind: bool) -> None:
    assert behind_a_capacitor(drawn(tmp_path, lines), "pin", "out") is behind


@pytest.mark.parametrize(
    ("lines", "role", "measured"),
    [
        ("Rs pin out 1k\nCk out 0 1n", "", False),
        ("Rs pin out 1k\nRp vcc out 10k\nCk out 0 1n", 'pullup = "Rp"\n', True),
    ],
)
def test_an_output_without_comparator_or_pull_up_has_no_sink_current(
    tmp_path: Path, lines: str, role: str, measured: bool
) -> None:
    """What flows through the resistors there is no comparator's, and a noise of pA is no figure."""
    netlist = drawn(tmp_path, f"{lines}\nVr ramp 0 PULSE(0 5 0 980u 10u 10u 1m)\nVt thr 0 2")
    (tmp_path / "board.board.toml").write_text(
        '[board]\nformat = 1\nname = "board"\nrevision = "A"\nnetlist = "board.cir"\n'
        f'[roles]\nramp = "ramp"\nthreshold = "thr"\noutput = "out"\nsupply = "Vcc"\n{role}'
    )
    probes = probes_of(load_board(tmp_path / "board.board.toml"), netlist)
    assert (probes.sink_current is not None) is measured
