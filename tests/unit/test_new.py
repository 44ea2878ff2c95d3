# SPDX-License-Identifier: GPL-3.0-or-later
"""Starting a board: what is proposed for drawings of several styles, what the written file says, and what is
refused."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from harness.board import load_board
from harness.cli import main
from harness.netlist import read_netlist
from harness.new.drawing import Drawing
from harness.new.guess import Guess, guess
from harness.new.text import formulas, key, quoted, written
from harness.resources import netlists_folder
from harness.units import parse_si

MACROMODELS = Path(__file__).parents[1] / "boards" / "macromodels"
NUMBERED = """* {folder}\\drawing7
R1 N002 N001 4.7K tol=5
V1 N001 0 12 Rser=0.01
XU1 N004 N003 N001 0 N002 comp393
V2 N003 0 PULSE(0 5 0 980u 10u 10u 1m)
R2 N004 N005 100k
R3 N004 N006 150k
V3 N005 0 5
V4 N006 0 2
C1 N002 0 220p
.subckt comp393 1 2 3 4 5
XX1 1 2 3 4 5 comparator_393
.ends comp393
.model NPN NPN
.lib C:\\somewhere\\common.lib
.tran 10m
.include parts/comparator_393.inc
.backanno
.end
"""
NAMED = """.title Sheet 1
.include "parts/comparator_393.inc"
.save all
XU1 /thr Net-_U1-In-_ +12V GND /pulse comparator_393
R1 +12V /pulse 4.7k
V2 Net-_U1-In-_ GND PULSE( 5 0 0 10u 980u 10u 1m )
V1 +12V GND 12
R2 /thr /cv 150K
R3 /thr /ref 100kOhm
R7 /thr GND 1Meg
V4 /ref GND DC 5
V3 /cv GND DC 2 AC 1
C1 /pulse GND 220pF
.tran 1u 10m
.end
"""
NESTED = """* a stage drawn as a block
Vcc 1 0 15
Vcv 4 0 3
Vramp 7 0 PULSE(1 6 0 0.98m 10u 10u 1m)
Xstage 7 4 1 9 stage
Cout 9 0 470p
.subckt stage sweep cv vdd out
.param rin=47k
R1 cv thr {rin}
R2 vdd thr 180k
R3 thr 0 {2*rin}
Xcomp sweep thr vdd 0 out comparator_393
Rpu vdd out 3.3k
.ends
.inc "parts/comparator_393.inc"
.print tran v(9)
.end
"""


SNAP = """* a current fills a capacitor, a switch empties it
.include "parts/comparator_393.inc"
.include "parts/jfet_switching_n.inc"
Vcc vcc 0 12
Vcontrol thr 0 4
Ipitch vcc ramp 50u
Cramp ramp 0 10n
{switch}
Xslice thr ramp vcc 0 out comparator_393
Rpull vcc out 4.7k
Rseries out 5 1k
Rload 5 0 100k
Cload 5 0 220p
.end
"""
BY_ITSELF = "Sreset ramp 0 ramp 0 snap\n.model snap SW(vt=4 vh=3 ron=100 roff=1g)"
BY_A_CLOCK = (
    "Jreset ramp gate 0 jfet_switching_n\nRgate clock gate 1k\nVclock clock 0 PULSE(-5 0 0 1u 1u 20u 1m)"
)
SIX_PINS = """* a comparator with a free emitter, its supplies called as inputs elsewhere
Vcc vcc 0 12
Vee vee 0 -12
Vramp ramp 0 PULSE(0 5 0 980u 10u 10u 1m)
Vcontrol thr 0 2
Xslice thr ramp vcc vee out 0 bought
Rpull vcc out 4.7k
.subckt bought inp inn vp vn out emit
Rin inp inn 1meg
Rsupply vp vn 10k
Gout out emit vp vn 1m
.ends
.end
"""


def drawn(folder: Path, text: str, name: str = "drawn.cir") -> Path:
    path = folder / name
    path.write_text(text.replace("{folder}", "C:"), encoding="utf-8")
    return path


def guessed(path: Path) -> Guess:
    return guess(Drawing(read_netlist(path)))


def roles(found: Guess) -> dict[str, str]:
    return {each.key: each.value for each in found.roles}


def test_numbered_nodes_and_numbered_pins(tmp_path: Path) -> None:
    """The pins of a model that numbers them are found in the engine; a supply with a resistance of its own
    is a supply."""
    found = guessed(drawn(tmp_path, NUMBERED))
    assert roles(found) == {
        "ramp": "N003", "threshold": "N004", "output": "N002", "comparator": "XU1", "comparator_class": "393",
        "ramp_input": "minus", "pullup": "R1", "supply": "V1", "load_capacitor": "C1",
    }  # fmt: skip
    assert found.core is not None and found.core.kind == "ramp source"
    assert found.supplies == {"v1": "V1"} and set(found.network) == {"v3", "v4"}
    assert any("V3 or V4" in sentence for sentence in found.open)
    assert all(each.reason for each in found.roles)


SLOW_ORDERS = [
    pytest.param(order, marks=pytest.mark.slow)
    for order in ("1 2 4 3 5", "1 3 2 5 4", "4 5 3 2 1", "2 1 3 4 5")
]


@pytest.mark.parametrize("order", ["5 2 1 4 3", *SLOW_ORDERS])
def test_pins_in_any_order_are_found_by_trying(tmp_path: Path, order: str) -> None:
    text = NUMBERED.replace(".subckt comp393 1 2 3 4 5", f".subckt comp393 {order}")
    nodes = dict(zip("12345", ("N004", "N003", "N001", "0", "N002"), strict=True))
    text = text.replace("XU1 N004 N003 N001 0 N002", f"XU1 {' '.join(nodes[pin] for pin in order.split())}")
    found = guessed(drawn(tmp_path, text))
    assert (found.role("ramp_input"), found.role("output"), found.role("supply")) == ("minus", "N002", "V1")
    assert "trying comp393 alone" in str(
        next(each.reason for each in found.roles if each.key == "comparator")
    )


def test_named_nodes_and_a_falling_ramp(tmp_path: Path) -> None:
    found = guessed(drawn(tmp_path, NAMED))
    assert roles(found) == {
        "ramp": "Net-_U1-In-_", "threshold": "/thr", "output": "/pulse", "comparator": "XU1",
        "comparator_class": "393", "ramp_input": "minus",
        "pullup": "R1", "supply": "V1", "load_capacitor": "C1",
    }  # fmt: skip
    assert found.control == "v3"


def test_a_stage_inside_a_subcircuit(tmp_path: Path) -> None:
    found = guessed(drawn(tmp_path, NESTED))
    assert roles(found) == {
        "ramp": "7", "threshold": "xstage.thr", "output": "9", "comparator": "xstage.Xcomp",
        "comparator_class": "393", "ramp_input": "plus", "pullup": "xstage.Rpu", "supply": "Vcc",
        "load_capacitor": "Cout",
    }  # fmt: skip
    assert found.control == "vcv" and found.network["vcv"] == ("xstage.r1",)


@pytest.mark.parametrize(
    ("switch", "works"), [(BY_ITSELF, "worked by the voltage on it"), (BY_A_CLOCK, "driven by Vclock")]
)
def test_a_ramp_that_no_comparator_resets(tmp_path: Path, switch: str, works: str) -> None:
    found = guessed(drawn(tmp_path, SNAP.replace("{switch}", switch)))
    assert (found.role("ramp"), found.role("threshold"), found.role("output")) == ("ramp", "thr", "out")
    assert found.core is None
    ramp = next(each for each in found.roles if each.key == "ramp")
    assert works in ramp.reason
    assert any("Rseries leads on to 5" in sentence for sentence in found.open)


def test_words_that_mean_an_input_or_a_supply(tmp_path: Path) -> None:
    found = guessed(drawn(tmp_path, SIX_PINS))
    assert (found.role("ramp_input"), found.role("supply"), found.role("output")) == ("minus", "Vcc", "out")
    assert found.pins is not None and found.pins.reason == "the pins have names in bought"


def test_levels_behind_a_divider(tmp_path: Path) -> None:
    text = SNAP.replace("{switch}", BY_ITSELF).replace(" out ", " pin ").replace(" 5 ", " sheet/out ")
    found = guessed(drawn(tmp_path, text))
    assert (found.role("output"), found.role("load_resistor")) == ("sheet/out", "Rload")
    _, hand = formulas(found)
    assert dict(hand)["high_level"] == "supply * Rload / (Rpull + Rseries + Rload)"
    leaky = guessed(drawn(tmp_path, text.replace("Cload", "Rleak pin 0 1meg\nCload")))
    assert "high_level" not in dict(formulas(leaky)[1])


def test_a_hold_network_behind_a_diode(tmp_path: Path) -> None:
    text = """* snapped up through a JFET, held closed for a while
.include "parts/comparator_push_pull.inc"
.include "parts/switch_cmos.inc"
V5 5 0 5
VR 1 0 2.5
XSW 1 2 3 5 0 switch_cmos
C1 2 0 1n
I1 2 0 10u
V8 8 0 0.8
XT 8 2 5 0 7 comparator_push_pull
D1 7 3 dsw
R3 3 0 100k
C3 3 0 22p
.model dsw d(is=2n n=1.8 rs=1)
VCV 9 0 1.2
XS 9 2 5 0 11 comparator_push_pull
.end
"""
    core = guessed(drawn(tmp_path, text)).core
    assert core is not None and core.kind == "snapped capacitor"
    keys = {name: value for name, value, _ in core.keys}
    assert (keys["hold_resistor"], keys["hold_capacitor"]) == ("R3", "C3")


def test_the_demo_board_is_recognised_as_its_designer_described_it(tmp_path: Path) -> None:
    folder = netlists_folder() / "boards" / "kestrel"
    board = load_board(folder / "kestrel.board.toml")
    found = guessed(folder / "kestrel.cir")
    for name, value in roles(found).items():
        assert getattr(board.roles, name).lower() == value.lower(), name
    assert set(found.supplies.values()) == set(board.roles.supplies.values())
    assert found.control == "vcontrol" and found.core is not None and board.core is not None
    assert found.core.kind == board.core.kind
    for key_, named, _ in found.core.keys:
        assert getattr(board.core, key_) == named, key_


@pytest.mark.parametrize("name", ["wren/wren", "plover/plover"])
def test_other_cores_are_recognised(name: str) -> None:
    """A falling core behind a follower and an integrator: roles as their designers gave them, and what is
    told of the core."""
    board = load_board(netlists_folder() / "boards" / f"{name}.board.toml")
    found = guessed(netlists_folder() / "boards" / f"{name}.cir")
    for role in ("ramp", "threshold", "comparator", "comparator_class", "ramp_input", "pullup", "supply"):
        assert (found.role(role) or "").lower() == (getattr(board.roles, role) or "").lower(), role
    assert tuple(found.amplifiers) == board.roles.amplifiers
    assert found.core is not None and board.core is not None and found.core.kind == board.core.kind
    for key_, named, _ in found.core.keys:
        assert getattr(board.core, key_) == named, key_


def test_the_written_file_loads_and_checks_and_says_that_it_is_not_confirmed(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for name, text in (("numbered", NUMBERED), ("named", NAMED), ("nested", NESTED)):
        netlist = drawn(tmp_path, text, f"{name}.cir")
        assert main(["new", name, "--from", str(netlist)]) == 0
        told = capsys.readouterr().out
        board = tmp_path / f"{name}.board.toml"
        assert "Check these against what you meant" in told and "Left out of the netlist" in told
        loaded = load_board(board)
        assert not loaded.confirmed and loaded.intended and not loaded.hand and not loaded.limits
        assert main(["check", str(board)]) == 0
        said = capsys.readouterr().out
        assert "a wrong part value cannot be noticed yet" in said and "no value intended" not in said
        confirmed = board.read_text().replace("confirmed = false\n", "")
        board.write_text(confirmed)
        assert main(["check", str(board)]) == 0
        assert "cannot be noticed yet" not in capsys.readouterr().out


@pytest.mark.slow
def test_the_suggested_formulas_and_limits_are_sound(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Every comment that is a suggestion, taken as it stands: units are right, and hand agrees with the
    resistive network."""
    for name, text in (("numbered", NUMBERED), ("named", NAMED)):
        netlist = drawn(tmp_path, text, f"{name}.cir")
        assert main(["new", name, "--from", str(netlist)]) == 0
        board = tmp_path / f"{name}.board.toml"
        head, mark, tail = board.read_text().partition("# [given]")
        taken = re.sub(r"(?m)^# (?=\[|\w+ = )", "", mark + tail)
        board.write_text(head + taken)
        loaded = load_board(board)
        assert {"threshold", "ramp_high", "duty", "pullup_current"} <= set(loaded.hand)
        assert set(loaded.limits) == {"duty", "low_level", "pullup_current", "headroom"}
        assert main(["check", str(board), "--out", str(tmp_path / name)]) == 0
        import pandas as pd

        table = pd.read_csv(tmp_path / name / "predictions.csv")
        assert table["threshold.hand"].to_numpy() == pytest.approx(
            table["threshold.solved"].to_numpy(), rel=1e-9
        )
        assert table["duty.hand"].to_numpy() == pytest.approx(table["duty.refined"].to_numpy(), abs=2e-3)
        capsys.readouterr()


def test_a_slip_is_noticed_once_the_values_are_confirmed(tmp_path: Path) -> None:
    netlist = drawn(tmp_path, NUMBERED)
    assert main(["new", "slip", "--from", str(netlist)]) == 0
    netlist.write_text(netlist.read_text().replace("R2 N004 N005 100k", "R2 N004 N005 10k"))
    assert main(["check", str(tmp_path / "slip.board.toml")]) == 1


@pytest.mark.slow
def test_a_netlist_in_the_commercial_notation(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    library = (MACROMODELS / "comparator_macro.lib").read_text()
    (tmp_path / "comparator_macro.lib").write_text(library)
    text = NUMBERED.replace("comp393", "OCCOMP").replace(
        ".include parts/comparator_393.inc", ".lib comparator_macro.lib"
    )
    text = re.sub(r"(?s)\.subckt OCCOMP.*?\.ends OCCOMP\n", "", text)
    netlist = drawn(tmp_path, text)
    assert main(["new", "macro", "--from", str(netlist), "--out", str(tmp_path / "there")]) == 0
    assert {path.name for path in (tmp_path / "there").iterdir()} == {
        "macro.board.toml", "drawn.cir", "comparator_macro.lib",
    }  # fmt: skip
    board = load_board(tmp_path / "there" / "macro.board.toml")
    assert board.dialects.whole == "commercial" and board.roles.ramp_input == "minus"
    assert board.roles.comparator_class is None
    assert "comparator_class" in capsys.readouterr().out
    assert main(["check", str(tmp_path / "there" / "macro.board.toml")]) == 0


def test_what_is_to_be_decided_read_and_left_out_is_told_apart(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Notes on how a file was read are no losses; every dot line that is left out is named."""
    netlist = tmp_path / "drawn.cir"
    text = NUMBERED.replace(".include", "* caf\u00e9\n.backanno\n.include", 1)
    netlist.write_bytes(text.encode("latin-1"))
    assert main(["new", "told", "--from", str(netlist)]) == 0
    told = capsys.readouterr().out
    read, _, left_out = told.partition("Left out of the netlist:")
    assert "is not UTF-8; read as Latin-1" in read.partition("Read as:")[2]
    assert "Latin-1" not in left_out
    assert ".backanno" in left_out
    assert "Nobody could tell" not in told


def test_a_folder_that_cannot_be_made_is_named_as_typed(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "file").write_text("in the way")
    folder = str(tmp_path / "file" / "below")
    for arguments in (["new", "any", "--out", folder], ["sources", "--out", folder]):
        assert main(arguments) == 2
        said = capsys.readouterr().err
        assert f"{folder}: no output folder can be made here (" in said
        assert "Traceback" not in said


def test_nothing_is_overwritten(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    netlist = drawn(tmp_path, NUMBERED)
    board = tmp_path / "mine.board.toml"
    board.write_text("precious")
    assert main(["new", "mine", "--from", str(netlist)]) == 2
    assert board.read_text() == "precious"
    assert "is there already and is not overwritten" in capsys.readouterr().err
    (tmp_path / "own").mkdir()
    (tmp_path / "own" / "drawn.cir").write_text("precious")
    assert main(["new", "mine", "--from", str(netlist), "--out", str(tmp_path / "own")]) == 2
    assert [path.name for path in (tmp_path / "own").iterdir()] == ["drawn.cir"]


PROBLEMS = [
    ("* t\nV1 a 0 1\nR1 a 0 1k\n", [], "no comparator was found; devices drawn: none"),
    (NUMBERED.replace("PULSE(0 5 0 980u 10u 10u 1m)", "3"), [], "no ramp was found"),
    (NUMBERED.replace("R2 N004", "R2 N004 x y"), [], '"y" is no value'),
    (NUMBERED.replace(".tran 10m", ".control\nrun\n.endc"), [], "delete these lines"),
    (NUMBERED, ["--stage", "393"], "goes without --from only"),
]  # fmt: skip


@pytest.mark.parametrize(("text", "options", "sentence"), PROBLEMS, ids=[each[2] for each in PROBLEMS])
def test_what_cannot_be_started_is_said_and_nothing_is_written(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], text: str, options: list[str], sentence: str
) -> None:
    netlist = drawn(tmp_path, text)
    assert main(["new", "board", "--from", str(netlist), *options]) == 2
    said = capsys.readouterr().err
    assert sentence in said and "Traceback" not in said
    assert [path.name for path in tmp_path.iterdir()] == ["drawn.cir"]


CORES = {
    "ramp source": ("393", "311", "push-pull", "07x", "rail-to-rail"),
    "charged capacitor": ("393", "311", "07x"),
    "snapped capacitor": ("393", "push-pull", "rail-to-rail"),
    "integrator": ("393", "311", "07x"),
}
QUICK = {("ramp source", "393")}
STARTERS = [
    pytest.param(core, stage, marks=() if (core, stage) in QUICK else pytest.mark.slow)
    for core in CORES
    for stage in CORES["ramp source"]
]


@pytest.mark.parametrize(("stage", "waiting"), [("393", 2), ("push-pull", 6)])
def test_a_check_claims_nothing_that_only_a_measured_output_tells(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], stage: str, waiting: int
) -> None:
    """A dash for the low level and the fall; where the output drives both ways also for its high level, rise,
    current and resistance."""
    assert main(["new", "mine", "--stage", stage, "--network", "control", "--out", str(tmp_path)]) == 0
    capsys.readouterr()
    assert main(["check", str(tmp_path / "mine.board.toml")]) == 0
    said = capsys.readouterr().out
    assert len({line.split("  ")[3] for line in said.splitlines() if line.endswith("predicted -")}) == waiting


@pytest.mark.parametrize(("core", "stage"), STARTERS)
def test_a_starter_is_sound(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], core: str, stage: str
) -> None:
    """Drawn as intended, nothing odd in the netlist, with every network and output; a core and a stage that
    share no supply say so."""
    networks, outputs = ("reference and control", "control", "knob", "knob and jack"), ("direct", "divider")
    for number, (network, output) in enumerate(zip(networks, 2 * outputs, strict=True)):
        options = ["--stage", stage, "--core", core, "--network", network, "--output", output]
        code = main(["new", f"mine{number}", *options, "--out", str(tmp_path)])
        if stage not in CORES[core]:
            assert code == 2 and "choose another core or stage" in capsys.readouterr().err
            assert not list(tmp_path.iterdir())
            continue
        assert code == 0
        capsys.readouterr()
        assert main(["check", str(tmp_path / f"mine{number}.board.toml")]) == 0
        said = capsys.readouterr().out
        assert "no value intended" not in said and "The netlist:" not in said
        board = load_board(tmp_path / f"mine{number}.board.toml")
        assert {"threshold", "duty", "frequency"} <= set(board.hand) and board.limits


@pytest.mark.parametrize(
    ("options", "sentence"),
    [
        (["--stage", "394"], 'there is no stage "394" to begin with (did you mean "393"?)'),
        (["--core", "spiral"], 'there is no core "spiral" to begin with'),
        (["--supply", "80"], "80 V is out of the range"),
        (
            ["--core", "integrator", "--stage", "push-pull"],
            "wants a stage that works on 12 V, the least of its supply",
        ),
        (
            ["--core", "snapped capacitor", "--stage", "07x"],
            "wants a stage that works on 4.5 V, the least of its supply",
        ),
        (["--network", "knobs"], 'there is no network "knobs" to begin with (did you mean "knob"?)'),
        (["--output", "transformer"], 'there is no output "transformer" to begin with'),
    ],
)
def test_a_starter_that_cannot_be(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], options: list[str], sentence: str
) -> None:
    assert main(["new", "mine", *options, "--out", str(tmp_path)]) == 2
    assert sentence in capsys.readouterr().err and not list(tmp_path.iterdir())


@pytest.mark.parametrize("name", ["../mine", "a b", "", ".hidden"])
def test_a_name_that_is_no_file_name(tmp_path: Path, capsys: pytest.CaptureFixture[str], name: str) -> None:
    assert main(["new", name, "--out", str(tmp_path)]) == 2
    assert "becomes the name of files" in capsys.readouterr().err


@pytest.mark.parametrize("value", [4700.0, 2.2e-10, 0.0, -12.0, 1.0 / 3.0, 1e-15, 999.9999999, 15e-6, 1e13])
def test_values_are_written_exactly(value: float) -> None:
    assert parse_si(written(value, "V")).value == pytest.approx(value, rel=1e-11)


def test_keys_and_texts_are_escaped() -> None:
    assert (key("R1"), key("x1.r1"), key("R-1_a")) == ("R1", '"x1.r1"', "R-1_a")
    assert quoted('a"b\\c') == '"a\\"b\\\\c"'
