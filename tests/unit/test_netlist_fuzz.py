# SPDX-License-Identifier: GPL-3.0-or-later
"""Whatever a file holds: it is read, or it is a NetlistError; and what is refused stays refused in any
disguise."""

from __future__ import annotations

import tempfile
from pathlib import Path

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from harness.findings import NetlistError
from harness.netlist import Netlist, read_netlist
from harness.netlist.dialects import COMMERCIAL, Dialects
from harness.netlist.lint import lint

FUZZ = settings(max_examples=300, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))
FUZZ_COMMERCIAL = settings(FUZZ, max_examples=200)

_PIECES = (
    "R1 C1 V1 X1 Q1 M1 B1 E1 G1 F1 H1 K1 S1 W1 A1 D1 T1 a b 0 gnd 1k 4k7 2A {x} {y+1} 'z' x=1 y={x} V= I= "
    "v(a) i(V1) PULSE(0 1) SIN( ) DC AC POLY(2) TABLE value={v(a)} ( ) { } [ ] = , + * ; $ // \" ' \\ .param "
    ".model .subckt .ends .include .lib .endl .end .ic .func .global .options .tran npn( bf=1) s params: m=2 "
    "f(x) {f(1)} other.inc \t \u00a0 \u2028 \x0b \x00 \ud7ff 1e999 1e-999 {1/0} {2**9999} .if "
    ".control *# \u212a"
)
_WORDS = st.sampled_from(_PIECES.split(" "))
_LINES = st.lists(_WORDS, max_size=8).map(" ".join)
_NETLISTS = st.lists(_LINES, max_size=14).map("\n".join)


_COMMERCIAL_PIECES = _PIECES + (
    " if(a>1,2,3) limit(v(a),0,1) pwr(x,2) pwrs(x,2) table(v(a),0,0,1,1) uramp(x) stp(x) dnlim(x,0,1) idt(x) "
    "V^2 ~a & | ** PARAMS: OPTIONAL: TEXT: VSWITCH( ISWITCH( ron=1 roff=1meg von=1 voff=0 Rser=1 Cpar=1p "
    "VALUE {v(a,b)} TABLE {v(a)} (0,0)(1,1) POLY(1) a 0 0 1 .step .backanno .lib x.lib \u00b5 1\u00b5 "
    "AKO:npn1 .ends s .funcs {IF(} {a"
)
_COMMERCIAL_LINES = st.lists(st.sampled_from(_COMMERCIAL_PIECES.split(" ")), max_size=8).map(" ".join)
_COMMERCIAL = st.lists(_COMMERCIAL_LINES, max_size=14).map("\n".join)


def _outcome(data: bytes, dialects: Dialects | None = None) -> Netlist | NetlistError:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "fuzz.cir"
        path.write_bytes(data)
        try:
            return read_netlist(path, (), dialects)
        except NetlistError as error:
            assert error.findings
            assert all(finding.message for finding in error.findings)
            return error


def _is_fit_for_the_engine(netlist: Netlist) -> None:
    for line in netlist.deck():
        assert not line.text.startswith(("*", "+", "#"))
        assert not set(line.text) & set('\n\r\x00`\\";$')
        assert line.text.split()[0].lower() not in (".control", ".end", ".include", ".lib", ".options")
    lint(netlist)


@FUZZ
@given(st.binary(max_size=400))
@example(b"")
@example(b"\n")
@example(b"\xff\xfe")
@example(b"t\n+")
@example(b"t\nR1 a 0 " + b"(" * 3000)
@example(b"t\n" + b".subckt s a\n" * 500)
@example(b"t\n.param a={" + b"1+" * 5000 + b"1}\nV1 a 0 {a}\n")
@example(b"t\nV1 a 0 {" + b"-" * 3000 + b"1}\n")
@example(b"t\n.param " + b" ".join(b"p%d={p%d}" % (n, n + 1) for n in range(500)) + b" p500=1\nV1 a 0 {p0}\n")
def test_any_bytes(data: bytes) -> None:
    outcome = _outcome(data)
    if isinstance(outcome, Netlist):
        _is_fit_for_the_engine(outcome)


@FUZZ
@given(_NETLISTS)
def test_any_netlist_like_text(text: str) -> None:
    outcome = _outcome(text.encode("utf-8", "surrogatepass"))
    if isinstance(outcome, Netlist):
        _is_fit_for_the_engine(outcome)


@FUZZ
@given(_NETLISTS)
def test_any_lines_behind_a_sound_circuit(text: str) -> None:
    sound = "t\nV1 a 0 1\nR9 a 0 1k\n.param x=1\n.subckt s n k=1\nRs n 0 {k}\n.ends\n"
    outcome = _outcome((sound + text).encode("utf-8", "surrogatepass"))
    if isinstance(outcome, Netlist):
        _is_fit_for_the_engine(outcome)


@FUZZ_COMMERCIAL
@given(_COMMERCIAL, st.booleans())
@example("t\nB1 a 0 V={" + "(" * 3000, False)
@example("t\nE1 a 0 VALUE={" + "if(1," * 300 + "1" + ",0)" * 300 + "}", True)
@example("t\nB1 a 0 V=" + "-" * 3000 + "1", False)
@example("t\nS1 a 0 a 0 m\n.model m VSWITCH(ron=0 roff=0 von=1 voff=1)", True)
def test_any_netlist_in_the_commercial_notation(text: str, behind: bool) -> None:
    """Alone, and behind a sound circuit in the same notation."""
    sound = "t\nV1 a 0 1 Rser=1\nR9 a 0 1k\n.param x=1\n.subckt s n PARAMS: k=1\nRs n 0 {k}\n.ends\n"
    outcome = _outcome(
        ((sound if behind else "") + text).encode("utf-8", "surrogatepass"), Dialects(COMMERCIAL)
    )
    if isinstance(outcome, Netlist):
        _is_fit_for_the_engine(outcome)


@FUZZ_COMMERCIAL
@given(st.binary(max_size=300))
def test_any_bytes_in_the_commercial_notation(data: bytes) -> None:
    outcome = _outcome(data, Dialects(COMMERCIAL))
    if isinstance(outcome, Netlist):
        _is_fit_for_the_engine(outcome)


_REFUSED = [
    ".control", ".endc", ".exec", ".shell", ".libsave", ".write",
    "codemodel", "osdi", "pre_osdi", "d_process", "d_cosim", "filesource", "`",
]  # fmt: skip


def _cased(word: str) -> st.SearchStrategy[str]:
    return st.lists(st.booleans(), min_size=len(word), max_size=len(word)).map(
        lambda upper: "".join(c.upper() if u else c for c, u in zip(word, upper, strict=True))
    )


@FUZZ
@given(
    word=st.sampled_from(_REFUSED).flatmap(_cased),
    indent=st.sampled_from(["", " ", "\t", "   \t "]),
    cut=st.integers(min_value=0, max_value=8),
    tail=st.sampled_from(["", " x", "\t1k", " a b 1"]),
    before=st.sampled_from(["", "R2 a 0 1k\n", "* a comment\n", ".subckt s n\n", ".lib typical\n"]),
)
def test_a_refused_word_at_the_start_of_a_line(
    word: str, indent: str, cut: int, tail: str, before: str
) -> None:
    """In any case, at any indentation, cut in two by a continuation: refused, with the line."""
    piece = word if cut == 0 or cut >= len(word) else f"{word[:cut]}\n{indent}+{word[cut:]}"
    text = f"t\nV1 a 0 1\nR1 a 0 1k\n{before}{indent}{piece}{tail}\n"
    outcome = _outcome(text.encode())
    assert isinstance(outcome, NetlistError)
    line = text[: text.index(f"{indent}{piece}{tail}", text.index(before) + len(before))].count("\n") + 1
    assert line in [finding.line for finding in outcome.findings], str(outcome)


@FUZZ
@given(
    word=st.sampled_from(
        ["codemodel", "osdi", "d_process", "d_cosim", "filesource", "process_file=x"]
    ).flatmap(_cased),
    head=st.sampled_from([".model m ", "A1 a b ", "R2 a 0 1k ", ".param x=1 ", ".tran 1 2 ", ".print "]),
    joined=st.sampled_from([" ", "\n+ ", "\n  +", "\n* between\n+ "]),
)
def test_a_refused_word_inside_a_line(word: str, head: str, joined: str) -> None:
    outcome = _outcome(f"t\nV1 a 0 1\nR1 a 0 1k\n{head}{joined}{word}\n".encode())
    assert isinstance(outcome, NetlistError)
    messages = [finding.message for finding in outcome.findings if finding.line == 4]
    assert any("delete" in message or "instead" in message for message in messages), str(outcome)


@pytest.mark.parametrize("name", ["/dev/zero", "loop"])
def test_a_file_that_is_no_file(tmp_path: Path, name: str) -> None:
    if name == "loop":
        (tmp_path / "loop").symlink_to(tmp_path / "loop")
    with pytest.raises(NetlistError):
        read_netlist(tmp_path / name)
