# SPDX-License-Identifier: GPL-3.0-or-later
"""Values of parts over corners: evaluated once for each setting that they depend on, not for any other."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import numpy as np
import pytest

from harness.netlist import Netlist, read_netlist
from harness.netlist.scopes import Read
from harness.predict.network import per_setting, values_of

NETLIST = """\
Two parameters and what follows from them
.param first=1k second=2k both={first+second}
.subckt twice a b ohms=1
Rinside a b {2*ohms}
.ends
R1 a 0 {first}
R2 a 0 {both}
R3 a 0 4.7k
X1 a 0 twice params: ohms={second}
V1 a 0 1
"""
VALUES = {"first": np.array([1e3, 1e3, 3e3, 1e3]), "second": np.array([2e3, 5e3, 2e3, 2e3])}


@pytest.fixture
def netlist(tmp_path: Path) -> Netlist:
    path = tmp_path / "two.cir"
    path.write_text(NETLIST, encoding="utf-8")
    return read_netlist(path)


@pytest.mark.parametrize(
    ("part", "ohms", "different"),
    [
        ("r1", [1e3, 1e3, 3e3, 1e3], 2),
        ("r2", [3e3, 6e3, 5e3, 3e3], 3),
        ("r3", [4.7e3] * 4, 0),
        ("x1.rinside", [4e3, 10e3, 4e3, 4e3], 2),
    ],
)
def test_a_value_is_evaluated_once_for_each_setting_that_it_depends_on(
    netlist: Netlist, part: str, ohms: list[float], different: int
) -> None:
    asked: list[Mapping[str, float]] = []

    def figure(settings: Mapping[str, float]) -> float:
        asked.append(settings)
        return netlist.value(part, settings)

    assert per_setting(netlist, figure, VALUES).tolist() == ohms
    assert np.asarray(values_of(netlist, part, VALUES)).tolist() == ohms
    assert len(asked) == 1 + different  # the first one shows what is read


def test_who_goes_through_all_settings_depends_on_all(netlist: Netlist) -> None:
    found = per_setting(netlist, lambda settings: sum(dict(settings).values()), VALUES)
    assert found.tolist() == [3e3, 6e3, 5e3, 3e3]
    settings = Read({"first": 1.0, "second": 2.0})
    assert settings["first"] == 1.0 and settings.read == {"first"} and len(settings) == 2


def test_no_corners_have_no_figures(netlist: Netlist) -> None:
    nothing = {name: np.zeros(0) for name in VALUES}
    assert per_setting(netlist, lambda settings: netlist.value("r2", settings), nothing).shape == (0,)
