# SPDX-License-Identifier: GPL-3.0-or-later
"""The commercial notation: each construct against its meaning as plain Python, or against the same thing
drawn in the engine's own notation, in the real engine."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from harness.board import load_board
from harness.engine.gaps import watch
from harness.engine.session import session
from harness.findings import BoardError, NetlistError
from harness.formula import evaluate_spice
from harness.netlist import Netlist, read_netlist
from harness.netlist.dialects import COMMERCIAL, NATIVE, Dialects
from harness.netlist.dialects.expressions import native_expression
from harness.netlist.dialects.forms import smooth_resistance


def read(folder: Path, text: str, mode: str = COMMERCIAL) -> Netlist:
    path = folder / "macro.cir"
    path.write_text(f"title\n{text}\n", encoding="utf-8")
    return read_netlist(path, (), Dialects(mode))


def at_rest(netlist: Netlist) -> dict[str, float]:
    engine = session()
    engine.load([line.text for line in netlist.deck()], netlist.title)
    return engine.operating_point()


def swept(netlist: Netlist, source: str, node: str, low: float, high: float, step: float) -> np.ndarray:
    engine = session()
    engine.load([line.text for line in netlist.deck()], netlist.title)
    return engine.dc_sweep(source, low, high, step)[node]


def clipped(x: float, low: float, high: float) -> float:
    return min(max(x, low), high)


Meaning = Callable[[float], float]
EXPRESSIONS: list[tuple[str, Meaning]] = [
    ("LIMIT(V(a), -1, 0.5)", lambda x: clipped(x, -1, 0.5)),
    ("LIMIT(V(a), 0.5, -1)", lambda x: clipped(x, -1, 0.5)),
    ("IF(V(a) > 0.3, 2, -V(a))", lambda x: 2.0 if x > 0.3 else -x),
    ("IF(V(a) > 0.3 & V(a) < 1.1, 1, 0)", lambda x: float(0.3 < x < 1.1)),
    ("IF(V(a) < -1 | V(a) >= 1.1, 1, 0)", lambda x: float(x < -1 or x >= 1.1)),
    ("IF(~(V(a) > 0.3), 1, 0)", lambda x: float(not x > 0.3)),
    ("IF((V(a) > 0.3) ^ (V(a) > 1.1), 1, 0)", lambda x: float((x > 0.3) != (x > 1.1))),
    ("V(a) > 0.3 ? 1 : 2", lambda x: 1.0 if x > 0.3 else 2.0),
    ("V(a)**2", lambda x: x**2),
    ("V(a)**3", lambda x: x**3),
    ("V(a)^3", lambda x: x**3),
    ("V(a)**5", lambda x: x**5),
    ("-V(a)**2", lambda x: -(x**2)),
    ("(V(a)+3)**-2", lambda x: (x + 3) ** -2),
    ("(V(a)+1)**6", lambda x: (x + 1) ** 6),
    ("V(a)**P3", lambda x: x**3),
    ("2**V(a)", lambda x: 2**x),
    ("PWR(V(a), 1.5)", lambda x: abs(x) ** 1.5),
    ("PWRS(V(a), 1.5)", lambda x: math.copysign(abs(x) ** 1.5, x)),
    ("PWR(V(a), 0.5)", lambda x: math.sqrt(abs(x))),
    ("POW(V(a), 3)", lambda x: x**3),
    ("STP(V(a)-0.3)", lambda x: float(x > 0.3)),
    ("URAMP(V(a))", lambda x: max(x, 0.0)),
    ("SGN(V(a))", lambda x: float(np.sign(x))),
    ("TABLE(V(a), -1, 2, 0, 0, 1, 5)", lambda x: float(np.interp(x, [-1, 0, 1], [2, 0, 5]))),
    ("TABLE(V(a), 0, -1, 0, 1)", lambda x: 1.0 if x > 0 else -1.0),
    ("MIN(V(a), 1, 0.5) + MAX(V(a), -1, -0.5)", lambda x: min(x, 0.5) + max(x, -0.5)),
    ("LOG(EXP(V(a)))", lambda x: x),
    ("LOG10(2+V(a))", lambda x: math.log10(2 + x)),
    ("SINH(V(a)) - COSH(V(a)) + TAN(V(a)/2)", lambda x: math.tan(x / 2) - math.exp(-x)),
    ("ARCTAN(V(a))", math.atan),
    ("INT(V(a)*1.7)", lambda x: float(math.trunc(x * 1.7))),
    ("BUF(V(a)) - INV(V(a))", lambda x: 1.0 if x > 0.5 else -1.0),
    ("SQUARE(V(a)) + HYPOT(V(a), 2)", lambda x: x * x + math.hypot(x, 2)),
    ("DB(V(a)+3)", lambda x: 20 * math.log10(x + 3)),
    ("{V(a)*'2*1.5'}", lambda x: 3 * x),
    ("1 - (2 - V(a)) - 3/(2*(V(a)+4))", lambda x: 1 - (2 - x) - 3 / (2 * (x + 4))),
    ("F(V(a), 1m) + K", lambda x: (x + 1e-3 if x > 1e-3 else 1e-3 - x) + 1.5e3),
    ("V(a)*1MEG*1u", lambda x: x),
]  # fmt: skip
LEVELS = (-1.6, -1.0 + 1e-3, -0.4, 0.2, 0.31, 0.9, 1.3)


@pytest.mark.parametrize(("text", "meaning"), EXPRESSIONS, ids=[text for text, _ in EXPRESSIONS])
def test_an_expression_means_what_it_says(tmp_path: Path, text: str, meaning: Meaning) -> None:
    """In the engine, at seven voltages, with parameters and functions of the same notation."""
    sources = "\n".join(
        f"V{i} a{i} 0 {level!r}\nE{i} e{i} 0 VALUE={{{text.replace('V(a)', f'V(a{i})')}}}\nR{i} e{i} 0 1"
        for i, level in enumerate(LEVELS)
    )
    netlist = read(
        tmp_path, f"{sources}\n.PARAM P3=3 K = {{IF(P3>2, 1.5k, 0)}}\n.FUNC F(X,Y) = {{IF(X>Y, X+Y, Y-X)}}"
    )
    volts = at_rest(netlist)
    for i, level in enumerate(LEVELS):
        assert volts[f"e{i}"] == pytest.approx(meaning(level), rel=1e-9, abs=1e-9), level


@pytest.mark.parametrize(("text", "meaning"), EXPRESSIONS, ids=[text for text, _ in EXPRESSIONS])
def test_what_switches_is_seen_by_the_step_control(tmp_path: Path, text: str, meaning: Meaning) -> None:
    """Nothing but INT (a floor) is left unread, where step control would have to do without."""
    netlist = read(
        tmp_path,
        f"V1 a 0 1\nE1 b 0 VALUE={{{text}}}\nR1 b 0 1\n.PARAM P3=3 K=1\n.FUNC F(X,Y) = {{IF(X>Y, X+Y, Y-X)}}",
    )
    engine = session()
    engine.load([line.text for line in netlist.deck()], netlist.title)
    seen = watch(engine.listing(), lambda name: 0)
    assert bool(seen.unread) == ("INT(" in text), seen.unread
    jumps = any(word in text for word in ("IF(", "?", "LIMIT", "TABLE", "STP", "MIN", "BUF", "F("))
    assert bool(seen.gaps) or not jumps


PARAMETERS = [
    ("IF(2>1, 3, 4)", 3.0), ("LIMIT(7, 0, 5)", 5.0), ("2**10", 1024.0), ("(-2)**3", -8.0),
    ("PWRS(-4, 0.5)", -2.0), ("TABLE(0.5, 0, 0, 1, 4)", 2.0), ("A^2", 9.0), ("A**A", 27.0),
    ("LOG(EXP(2))", 2.0), ("STP(-1)", 0.0),
]  # fmt: skip


@pytest.mark.parametrize(("text", "figure"), PARAMETERS)
def test_parameters_are_the_same_here_and_in_the_engine(tmp_path: Path, text: str, figure: float) -> None:
    assert evaluate_spice(native_expression(text), {"a": 3.0}) == pytest.approx(figure)
    netlist = read(tmp_path, f".PARAM A=3 B = {text}\nV1 a 0 {{B}}\nR1 a 0 {{ {text} + 10 }}")
    assert netlist.value("V1") == pytest.approx(figure)
    assert netlist.value("R1") == pytest.approx(figure + 10)
    assert at_rest(netlist)["a"] == pytest.approx(figure)


def test_a_smooth_switch_follows_its_law_between_its_levels(tmp_path: Path) -> None:
    netlist = read(
        tmp_path,
        "VC c 0 0\nI1 0 x 1\nS1 x 0 c 0 SM\n.MODEL SM VSWITCH(RON=10 ROFF={K*10} VON=2 VOFF=-1)\n"
        ".PARAM K=1k\nI2 0 y 1m\nW1 y 0 VS WM\n"
        "VS c2 0 0\nR2 c2 c 1k\n.model WM ISWITCH (Ron=1 Roff=1k Ion=-1m Ioff=1m)",
    )
    volts = swept(netlist, "vc", "x", -2.0, 3.0, 0.125)
    for control, volt in zip(np.arange(-2.0, 3.001, 0.125), volts, strict=True):
        assert volt == pytest.approx(smooth_resistance((control - 0.5) / 3.0, 10.0, 1e4), rel=1e-6)
    assert (volts[0], volts[-1]) == (pytest.approx(1e4, rel=1e-6), pytest.approx(10.0, rel=1e-6))
    by_current = swept(netlist, "vc", "y", -2.0, 2.0, 0.25)  # the current through VS is V(c)/1k
    for control, volt in zip(np.arange(-2.0, 2.001, 0.25), by_current, strict=True):
        assert volt == pytest.approx(1e-3 * smooth_resistance(-control / 2.0, 1.0, 1e3), rel=1e-6)


def test_a_switch_with_hysteresis_stays_the_engines_own(tmp_path: Path) -> None:
    netlist = read(tmp_path, "V1 a 0 1\nS1 a 0 a 0 SM\n.MODEL SM VSWITCH(RON=1 ROFF=1MEG VT=0.5 VH=0.1)")
    assert netlist.parts["s1"].letter == "s" and netlist.models["sm"].kind == "sw"


NATIVE_TWINS = [
    ("E1 b 0 POLY(1) a 0 0.5 2", "B1 b 0 V=0.5+2*V(a)"),
    ("E1 b 0 POLY(1) (a,0) 3", "B1 b 0 V=3*V(a)"),
    ("E1 b 0 POLY(2) a 0 (d,0) 1 2 3 4 5 6", "B1 b 0 V=1+2*V(a)+3*V(d)+4*V(a)*V(a)+5*V(a)*V(d)+6*V(d)*V(d)"),
    ("G1 0 b POLY(1) a 0 0 0 1m", "B1 0 b I=1m*V(a)*V(a)"),
    ("F1 0 b POLY(2) V1 V2 1m 2 3", "B1 0 b I=1m+2*I(V1)+3*I(V2)"),
    ("H1 b 0 POLY(1) V1 0 100 7k", "B1 b 0 V=100*I(V1)+7k*I(V1)*I(V1)"),
    ("E1 b 0 TABLE {V(a)-V(d)} = (-2,0) (-1,1) (0.5,2) (2,-1)",
     "B1 b 0 V=pwl(V(a)-V(d), -3,0, -2,0, -1,1, 0.5,2, 2,-1, 3,-1)"),
    ("G1 0 b TABLE {V(a)} (-1,0),(1,1m)", "B1 0 b I=0.5m*(min(max(V(a),-1),1)+1)"),
    ("E1 b 0 a d 3", "B1 b 0 V=3*V(a,d)"),
    ("E1 b 0 VALUE {V(a)*2}", "B1 b 0 V=V(a)*2"),
    ("E1 b 0 VALUE = V(a)*2", "B1 b 0 V=V(a)*2"),
    ("R1 b a 1k TC=10m,1m", "R1 b a 1k tc1=10m tc2=1m"),
    ("R1 b a RX 1k\n.MODEL RX RES(R=2 TC1=10m DEV=5% LOT 2%)", "R1 b a 2k tc1=10m"),
    ("Q1 d a b [0] QX\n.MODEL QX NPN(IS=1E-15 BF=50 DEV/GAUSS 10% T_ABS=60)",
     "Q1 d a b 0 qx temp=60\n.model qx npn(is=1e-15 bf=50)"),
    ("D1 a b DX\n.MODEL DX D(IS=1E-15 T_REL_GLOBAL=10)", "D1 a b dx dtemp=10\n.model dx d(is=1e-15)"),
    ("D1 a b DX\n.MODEL DX D(IS=1E-15 T_MEASURED=50)", "D1 a b dx\n.model dx d(is=1e-15 tnom=50)"),
    ("X1 a b AMP PARAMS: GAIN=3\n.SUBCKT AMP I O PARAMS: GAIN=1 OFF={GAIN/10} TEXT: T=\"x\"\n"
     "E1 O 0 VALUE={LIMIT(GAIN*V(I)+OFF,\n* a comment in between\n+ -1,\n\n+ 2)}\n.ENDS AMP",
     "B1 b 0 V=min(max(3*V(a)+0.3,-1),2)"),
    ("X1 a b AMP\n.SUBCKT AMP I O OPTIONAL: REF=$G_REF\nE1 O REF I 0 2\n.ENDS\nVR $G_REF 0 0.25",
     "B1 b 0 V=0.25+2*V(a)"),
    ("X1 a b d AMP\n.SUBCKT AMP I O OPTIONAL: REF=0\nE1 O REF I 0 2\n.ENDS", "B1 b 0 V=V(d)+2*V(a)"),
]  # fmt: skip


@pytest.mark.parametrize(
    ("text", "twin"), NATIVE_TWINS, ids=[text.split("\n")[0] for text, _ in NATIVE_TWINS]
)
def test_a_construct_and_its_native_twin_give_the_same(tmp_path: Path, text: str, twin: str) -> None:
    """Node b over 17 voltages of a, at 50 degC."""
    frame = "V1 a 0 1\nR8 a 0 500\nV2 d 0 0.75\nR9 b 0 1k\n{}"
    curves = []
    for lines, mode in ((text, COMMERCIAL), (twin, NATIVE)):
        netlist = read(tmp_path, frame.format(lines), mode)
        engine = session()
        engine.load([*(line.text for line in netlist.deck()), ".options temp=50"], "t")
        curves.append(engine.dc_sweep("v1", -2.0, 2.0, 0.25)["b"])
    assert np.ptp(curves[1]) > 0.1
    assert curves[0] == pytest.approx(curves[1], rel=1e-6, abs=1e-9)


PROBLEMS = [
    ("E1 b 0 VALUE={SDT(V(a))}", "sdt() is an integral; draw a capacitor"),
    ("E1 b 0 VALUE={RAND(1)}", "rand() is random"),
    ("E1 b 0 VALUE={FOO(V(a))}", 'the engine has no function "foo"'),
    ("E1 b 0 VALUE={LIMIT(V(a))}", "limit() is not read with 1 argument(s)"),
    ("E1 b 0 VALUE={V(a)**2**3}", "two powers in a row"),
    ("E1 b 0 VALUE={V(a) +}", "at the end"),
    ("E1 b 0 VALUE={V(a) V(a)}", "expected an operator"),
    ("E1 b 0 VALUE={V(a,b,0)}", "wants the name of a node or two"),
    ("E1 b 0 VALUE={V(a) # 2}", '"#" has no place'),
    ("E1 b 0 LAPLACE {V(a)} = {1/(1+s)}", "a transfer function of frequency is read in no dialect"),
    ("E1 b 0 TABLE {V(a)} = (0,0) (-1,1)", "-1 comes behind 0"),
    ("E1 b 0 TABLE {V(a)} = (0,0,1)", "a table wants pairs"),
    ("E1 b 0 POLY(2) a 0 1", "wants 2 control(s)"),
    ("U1 BUF DPWR DGND a b D0_GATE", "digital parts and their converters are read in no dialect"),
    ("S1 a b a 0 SM\n.MODEL SM VSWITCH(VON=1 VOFF=1)", "its on and off levels are the same"),
    ("R1 b 0 {GAUSS(1k)}", "random number"),
    ("E1 b 0 VALUE={V(nowhere)}", 'no part is connected to a node "nowhere"'),
]  # fmt: skip


@pytest.mark.parametrize(("line", "sentence"), PROBLEMS, ids=[line.split("\n")[0] for line, _ in PROBLEMS])
def test_what_cannot_be_read_is_named_with_its_line(tmp_path: Path, line: str, sentence: str) -> None:
    with pytest.raises(NetlistError) as caught:
        read(tmp_path, f"V1 a 0 1\nR9 b 0 1k\n{line}")
    found = [finding for finding in caught.value.findings if sentence in finding.message]
    assert found and found[0].line == 4, str(caught.value)


@pytest.mark.parametrize(
    "line",
    [
        "E1 b 0 VALUE={IF(V(a)>0,1,2)}", "E1 b 0 VALUE={LIMIT(V(a),0,2)}", "E1 b 0 VALUE={PWRS(V(a),2)}",
        ".MODEL SM VSWITCH(RON=1)", ".SUBCKT S a b OPTIONAL: c=0\nR1 a b 1k\n.ENDS",
    ],
)  # fmt: skip
def test_the_native_mode_says_which_mode_might_read_it(tmp_path: Path, line: str) -> None:
    with pytest.raises(NetlistError, match=r'dialect = "commercial" in \[board\] may read it') as caught:
        read(tmp_path, f"V1 a 0 1\nR9 b a 1k\n{line}", NATIVE)
    assert any(finding.line == 4 for finding in caught.value.findings)
    read(tmp_path, f"V1 a 0 1\nR9 b a 1k\n{line}")


@pytest.mark.parametrize(
    ("plus", "minus"), [("in+", "in-"), ("N-1", "2x"), ("3v3", "Net-_U1-Pad3_"), ("7", "12")]
)
def test_names_of_nodes_may_look_like_anything(tmp_path: Path, plus: str, minus: str) -> None:
    """In the engine and for the step control alike."""
    netlist = read(
        tmp_path,
        f"V1 {plus} 0 2\nV2 {minus} 0 1.5\nE1 o 0 VALUE={{LIMIT(V({plus},{minus}),0,V({plus}))}}\nR1 o 0 1",
    )
    assert at_rest(netlist)["o"] == pytest.approx(0.5)
    engine = session()
    engine.load([line.text for line in netlist.deck()], netlist.title)
    seen = watch(engine.listing(), lambda name: {plus.lower(): 0, minus.lower(): 1}[name])
    assert not seen.unread and len(seen.gaps) == 2


def test_a_smooth_switch_may_say_how_it_begins(tmp_path: Path) -> None:
    netlist = read(
        tmp_path,
        "V1 a 0 2\nS1 a b a 0 SM OFF\nR1 b 0 1k\n.MODEL SM VSWITCH Ron=1k Roff=1Meg Von = 1.5 Voff=0.5",
    )
    assert at_rest(netlist)["b"] == pytest.approx(1.0)


@pytest.mark.parametrize(
    "line", [".MODEL", ".SUBCKT", ".PARAM", ".FUNC", "C2 a Rser=1", "S1", "X1", "E1", "E1 b 0 POLY(1)"]
)
@pytest.mark.parametrize("mode", [NATIVE, COMMERCIAL])
def test_half_a_line_is_a_finding_too(tmp_path: Path, line: str, mode: str) -> None:
    with pytest.raises(NetlistError) as caught:
        read(tmp_path, f"V1 a 0 1\nR9 b a 1k\n{line}", mode)
    assert any(finding.line == 4 for finding in caught.value.findings)
    assert "unpack" not in str(caught.value)


AMPLIFIER = """VP p 0 15
VN n 0 -15
VI i 0 2
X1 i o p n o AMP
RL o 0 10k
.subckt AMP 1 2 3 4 5
  c1   11 12 3.5E-12
  c2    6  7 15.00E-12
  dc    5 53 dx
  de   54  5 dx
  dlp  90 91 dx
  dln  92 90 dx
  dp    4  3 dx
  egnd 99  0 poly(2) (3,0) (4,0) 0 .5 .5
  fb    7 99 poly(5) vb vc ve vlp vln 0 4.7E6 -5E6 5E6 5E6 -5E6
  ga    6  0 11 12 283E-6
  gcm   0  6 10 99 9E-9
  iss   3 10 dc 195E-6
  hlim 90  0 vlim 1K
  j1   11  2 10 jx
  j2   12  1 10 jx
  r2    6  9 100.0E3
  rd1   4 11 3.5E3
  rd2   4 12 3.5E3
  ro1   8  5 150
  ro2   7 99 150
  rp    3  4 2.1E3
  rss  10 99 1E6
  vb    9  0 dc 0
  vc    3 53 dc 2.2
  ve   54  4 dc 2.2
  vlim  7  8 dc 0
  vlp  91  0 dc 25
  vln   0 92 dc 25
.model dx D(Is=800.0E-18)
.model jx PJF(Is=15.00E-12 Beta=270E-6 Vto=-1)
.ends
"""


@pytest.mark.parametrize("mode", [NATIVE, COMMERCIAL])
def test_the_classic_macromodel_of_an_amplifier_follows_its_input(tmp_path: Path, mode: str) -> None:
    """The form after Boyle, Cohn, Pederson and Solomon, "Macromodeling of integrated circuit operational
    amplifiers", IEEE Journal of Solid-State Circuits 9 (1974) 353-364 (from memory); values of our own. Open
    loop gain ga gm r2 fb r0 of some 2e5: a follower is off by microvolts, and by the load's share."""
    netlist = read(tmp_path, AMPLIFIER, mode)
    assert at_rest(netlist)["o"] == pytest.approx(2.0, abs=1e-3)
    engine = session()
    engine.load([line.text for line in netlist.deck()], netlist.title)
    assert not watch(engine.listing(), lambda name: 0).unread


BOARD = """[board]
format = 1
name = "b"
revision = "A"
netlist = "b.cir"
{keys}
[roles]
ramp = "a"
threshold = "b"
output = "c"
supply = "V1"
"""


def test_a_board_file_names_the_notation(tmp_path: Path) -> None:
    (tmp_path / "more").mkdir()
    library = tmp_path / "more" / "macro.lib"
    library.write_text("E1 b 0 VALUE={LIMIT(V(a),0,1)}\n")
    (tmp_path / "b.cir").write_text("title\nV1 a 0 1\nR1 b c 1k\nR2 c 0 1k\n.include more/macro.lib\n")
    path = tmp_path / "b.board.toml"
    path.write_text(BOARD.format(keys='include_dialect = { "more/macro.lib" = "commercial" }'))
    board = load_board(path)
    assert board.dialects == Dialects(NATIVE, {library.resolve(): COMMERCIAL}) and board.confirmed
    assert read_netlist(board.netlist, board.include, board.dialects).find("E1")
    path.write_text(BOARD.format(keys='dialect = "commercial"\nconfirmed = false'))
    board = load_board(path)
    assert board.dialects == Dialects(COMMERCIAL) and not board.confirmed


@pytest.mark.parametrize(
    ("keys", "sentence"),
    [
        ('dialect = "comercial"', 'did you mean "commercial"'),
        ('include_dialect = { "nowhere.lib" = "commercial" }', 'there is no file "nowhere.lib"'),
        ('include_dialect = { "b.cir" = "other" }', '"other" is not known here'),
        ('confirmed = "no"', "expected true or false"),
        ("dialect = 3", "expected"),
    ],
)
def test_a_wrong_notation_is_a_finding(tmp_path: Path, keys: str, sentence: str) -> None:
    (tmp_path / "b.cir").write_text("title\nV1 a 0 1\nR1 a b 1k\nR2 b c 1k\nR3 c 0 1k\n")
    (tmp_path / "b.board.toml").write_text(BOARD.format(keys=keys))
    with pytest.raises(BoardError) as caught:
        load_board(tmp_path / "b.board.toml")
    found = [finding for finding in caught.value.findings if sentence in finding.message]
    assert found and found[0].line == 6, str(caught.value)


def test_each_file_has_a_notation_of_its_own(tmp_path: Path) -> None:
    """What ships with the package stays native; a power of a negative base shows which notation was used."""
    (tmp_path / "macro.lib").write_text("E2 c 0 VALUE={V(a)**3}\nR2 c 0 1k\n")
    text = "V1 a 0 -2\nE1 b 0 VALUE={V(a)**3}\nR1 b 0 1k\n.include macro.lib\n"
    text += '.include "parts/comparator_393.inc"\n'
    path = tmp_path / "macro.cir"
    path.write_text(f"title\n{text}")
    library = (tmp_path / "macro.lib").resolve()
    for dialects, b, c in (
        (Dialects(), 8.0, 8.0),
        (Dialects(NATIVE, {library: COMMERCIAL}), 8.0, -8.0),
        (Dialects(COMMERCIAL, {library: NATIVE}), -8.0, 8.0),
    ):
        netlist = read_netlist(path, (), dialects)
        volts = at_rest(netlist)
        assert [volts["b"], volts["c"]] == pytest.approx([b, c])
        assert netlist.subcircuit_text("comparator_393") == read_netlist(path).subcircuit_text(
            "comparator_393"
        )
