# SPDX-License-Identifier: GPL-3.0-or-later
"""What is kept of a circuit from corner to corner must not hang on what differs between them."""

from __future__ import annotations

import pytest

from harness.engine import reading
from harness.engine.reading import read_circuit

LISTING = (
    "circuit",
    "2 : .global gnd",
    "3 : vramp ramp 0 pulse(0 5 0 9m 0.5m 0.2m 10m)",
    "4 : vsupply vcc 0 5",
    "5 : r1 vcc out 1k",
    "6 : c1 out 0 1u",
    "7 : s1 out 0 ramp level comp",
    "8 : vlevel level 0 2",
    "9 : .model comp sw(vt=0.5 vh=0 ron=1 roff=1e9)",
    "10 : .options temp={temperature}",
)


def circuit(temperature: float = 25.0) -> list[str]:
    return [line.format(temperature=temperature) for line in LISTING]


def test_it_reads_what_switches_remembers_and_drives() -> None:
    """Period and time constant by hand: 10 ms; 1 kOhm times 1 uF."""
    read = read_circuit(circuit(), (), "ramp")
    assert [gap.text for gap in read.watch.gaps] == ["v(ramp,level) = 0.5"]
    assert read.columns == ("time", "ramp", "level")
    (holder,) = read.holders
    assert holder.node == "out" and holder.shortest == pytest.approx(1e-3)
    assert read.sources == {"ramp": 0.0, "vcc": 5.0, "level": 2.0}
    assert read.drive is not None and read.drive.period == pytest.approx(10e-3)


@pytest.mark.parametrize(
    ("temperature", "alterations"),
    [
        (25.0, (("vsupply", 9.0),)),
        (70.0, ()),
        (25.0, (("r1", 2e3),)),
        (25.0, (("c1", 3e-6), ("vlevel", 1.0))),
    ],
)
def test_a_corner_after_another_reads_as_the_first(
    temperature: float, alterations: tuple[tuple[str, float], ...]
) -> None:
    read_circuit(circuit(), (), "ramp")
    after = read_circuit(circuit(temperature), alterations, "ramp")
    for kept in (reading._switches, reading._holders, reading._held):
        kept.cache_clear()
    assert after == read_circuit(circuit(temperature), alterations, "ramp")
    values = dict(alterations)
    assert after.holders[0].shortest == pytest.approx(values.get("r1", 1e3) * values.get("c1", 1e-6))
    assert after.sources["vcc"] == values.get("vsupply", 5.0)
    assert after.sources["level"] == values.get("vlevel", 2.0)


def test_sources_do_not_make_a_circuit_another_one() -> None:
    """Of two corners that differ in a source, the second finds its memories where the first left them."""
    reading._holders.cache_clear()
    for volts in (5.0, 9.0, 12.0):
        read_circuit(circuit(), (("vsupply", volts),), "ramp")
    assert reading._holders.cache_info().misses == 1
