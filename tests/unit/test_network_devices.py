# SPDX-License-Identifier: GPL-3.0-or-later
"""Parts that are no resistors: what depends on them has no figure of the resistive network, and that is said.

Where a figure is given, it is that of a divider by hand.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from harness.netlist import read_netlist
from harness.predict.network import Network

DIVIDER = """a divider with a further part
V1 in 0 10
V2 rail 0 12
Vsense far 0 0
R1 in thr 10k
R2 thr 0 10k
R3 in other 10k
R4 other 0 10k
R5 far thr2 1k
R6 low 0 1k
.model dd d
.model dz d(bv=3)
.model ss sw(vt=1)
.model ws csw(it=1m)
.model qq npn
.model mm nmos
.model jj njf
.subckt buffer plus minus output
E1 output 0 plus minus 1e5
.ends
"""


def network(folder: Path, *lines: str, known: tuple[str, ...] = ()) -> Network:
    path = folder / "divider.cir"
    path.write_text(DIVIDER + "\n".join(lines) + "\n")
    return Network.from_netlist(read_netlist(path), known)


@pytest.mark.parametrize(
    "line",
    [
        "P thr 0 dd",  # forward biased
        "P 0 thr dz",  # 5 V in reverse, breaks down at 3 V
        "P thr 0 in 0 ss",
        "P thr 0 vsense ws",
        "P thr 0 in 0 0.1",
        "P thr 0 vsense 2",
        "P 0 thr v=v(in)/3",
        "P 0 thr i=v(in)/30k",
        "P rail in thr qq",
        "P rail in thr 0 mm",
        "P rail in thr jj",
    ],
)
@pytest.mark.parametrize("letter", ["d", "s", "w", "e", "g", "f", "h", "b", "q", "m", "j"])
def test_a_node_that_depends_on_a_device_has_no_figure(tmp_path: Path, letter: str, line: str) -> None:
    """The device is named; a node elsewhere keeps its figure, 5 V."""
    fitting = {
        "dd": "d", "dz": "d", "ss": "s", "ws": "w", "0.1": "eg", "2": "fh",
        "v=v(in)/3": "b", "i=v(in)/30k": "b", "qq": "q", "mm": "m", "jj": "j",
    }  # fmt: skip
    if letter not in fitting[line.split()[-1]]:
        return
    solved = network(tmp_path, letter + line)
    volts = solved.solve()
    assert np.isnan(volts["thr"][0])
    assert volts["other"][0] == pytest.approx(5.0) and volts["in"][0] == pytest.approx(10.0)
    assert solved.unknowns_behind("thr") == (letter + "p",)
    assert solved.unknowns_behind("other") == ()
    assert np.isnan(solved.resistance_seen("thr")[0])


@pytest.mark.parametrize(
    "lines",
    [
        ("Dclamp thr rail dd", "Dfoot 0 thr dd"),  # a clamp to either rail
        ("Dzener 0 thr dz2", ".model dz2 d(bv=9)"),  # far from its breakdown
        ("Done thr loose dd", "Ctwo loose 0 1n"),  # leads nowhere
        ("Dlamp rail low dd",),  # conducts, elsewhere
    ],
)
def test_a_diode_that_does_not_conduct_is_open(tmp_path: Path, lines: tuple[str, ...]) -> None:
    solved = network(tmp_path, *lines)
    assert solved.solve()["thr"][0] == pytest.approx(5.0)
    assert solved.resistance_seen("thr")[0] == pytest.approx(5e3)
    assert solved.unknowns_behind("thr") == ()


def test_a_clamp_declines_only_where_it_conducts(tmp_path: Path) -> None:
    """Half of 10 V is below a rail of 12 V, half of 30 V is not."""
    solved = network(tmp_path, "Dclamp thr rail dd")
    volts = solved.solve({"v1": np.array([10.0, 30.0])})["thr"]
    assert volts[0] == pytest.approx(5.0) and np.isnan(volts[1])
    assert solved.unknowns_behind("thr", {"v1": np.array([10.0, 30.0])}) == ("dclamp",)


def test_a_diode_whose_bias_a_device_decides_is_unknown(tmp_path: Path) -> None:
    solved = network(tmp_path, "Dclamp thr node dd", "Enode node 0 in 0 0.1")
    assert np.isnan(solved.solve()["thr"][0])


def test_two_unknown_sources_never_cancel(tmp_path: Path) -> None:
    """Equal and opposite at first sight: one pulls up what the other pulls down."""
    solved = network(tmp_path, "Gup 0 thr in 0 1u", "Gdown thr 0 in 0 1u")
    assert np.isnan(solved.solve()["thr"][0])
    assert solved.unknowns_behind("thr") == ("gup", "gdown")


def test_an_instance_without_a_role_counts_with_its_inside(tmp_path: Path) -> None:
    """A follower: its input takes no current, its output is not known. Known to another prediction: open."""
    follower = "Xbuffer thr follow follow buffer"
    solved = network(tmp_path, follower, "Rload follow 0 1k")
    volts = solved.solve()
    assert volts["thr"][0] == pytest.approx(5.0) and np.isnan(volts["follow"][0])
    assert solved.unknowns_behind("follow") == ("xbuffer.e1",)
    known = network(tmp_path, follower, "Rload follow 0 1k", known=("xbuffer",))
    assert known.solve()["follow"][0] == pytest.approx(0.0)
