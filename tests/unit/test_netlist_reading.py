# SPDX-License-Identifier: GPL-3.0-or-later
"""From files to parts: title, comments, continuations, includes, and what goes to the engine."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from pathlib import Path

import pytest

from harness.findings import NetlistError
from harness.netlist import Netlist, read_netlist
from harness.netlist.dialects import Dialects
from harness.resources import netlists_folder

Write = Callable[..., Path]


@pytest.fixture
def write(tmp_path: Path) -> Write:
    def put(text: str | bytes, name: str = "board.cir") -> Path:
        path = tmp_path / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(text if isinstance(text, bytes) else text.encode("utf-8"))
        return path

    return put


def read(path: Path) -> Netlist:
    return read_netlist(path)


def test_the_first_line_is_the_title_and_nothing_else(write: Write) -> None:
    netlist = read(write("A divider\nR1 in out 10k\nR2 out 0 10k\nV1 in 0 5\n.end\n"))
    assert netlist.title == "A divider"
    assert set(netlist.parts) == {"r1", "r2", "v1"}
    assert netlist.nodes == {"in", "out", "0"}
    assert [line.text for line in netlist.deck()] == ["R1 in out 10k", "R2 out 0 10k", "V1 in 0 5"]


def test_a_licence_line_is_no_title(write: Write) -> None:
    netlist = read(write("* SPDX-License-Identifier: CC0-1.0\n* A divider\nR1 a 0 1k\nV1 a 0 1\n"))
    assert netlist.title == "A divider"


def test_the_hash_is_that_of_the_file_as_it_lies_on_disk(write: Write) -> None:
    path = write(b"title\r\nR1 a 0 1k\r\nV1 a 0 1\r\n")
    assert read(path).sha256 == hashlib.sha256(path.read_bytes()).hexdigest()


def test_comments_and_continuations_keep_the_line_number(write: Write) -> None:
    netlist = read(
        write(
            "title\n* a comment\nR1 a\n* in between\n\n+ 0 ; half\n+ 10k $ the value\n"
            "C1 a 0 1n // picked by ear\n  V1 a 0 DC 5\n"
        )
    )
    assert netlist.parts["r1"].line.text == "R1 a 0 10k"
    assert netlist.parts["r1"].line.number == 3
    assert netlist.parts["c1"].line.number == 8
    assert netlist.value("v1") == 5.0
    assert all(not line.text.startswith(("*", "+")) for line in netlist.deck())


def test_names_are_case_blind_and_gnd_is_ground(write: Write) -> None:
    netlist = read(write("title\nRPull RAIL Out 3.3k\nvrail rail GND 8\nCload out gnd 1n\n"))
    assert netlist.parts["rpull"].name == "RPull"
    assert netlist.parts["rpull"].nodes == ("rail", "out")
    assert netlist.nodes == {"rail", "out", "0"}
    assert netlist.value("RPULL") == 3300.0


def test_a_micro_sign_is_a_u(write: Write) -> None:
    assert read(write("title\nC1 a 0 2.2\u00b5F\nV1 a 0 1\n")).value("c1") == pytest.approx(2.2e-6)


def test_latin_1_is_read_with_a_note(write: Write) -> None:
    netlist = read(write(b"title\nC1 a 0 2.2\xb5F\nV1 a 0 1\n"))
    assert netlist.value("c1") == pytest.approx(2.2e-6)
    assert [note.line for note in netlist.notes] == [2]
    assert "Latin-1" in netlist.notes[0].message


@pytest.mark.parametrize("codec", ["utf-16", "utf-16-le", "utf-16-be"])
def test_two_bytes_a_letter_are_read_with_a_note(write: Write, codec: str) -> None:
    netlist = read(write("title\r\nR1 a 0 1k\r\nC1 a 0 2.2\u00b5\r\nV1 a 0 1\r\n".encode(codec)))
    assert netlist.title == "title" and netlist.value("c1") == pytest.approx(2.2e-6)
    assert ["UTF-16" in note.message for note in netlist.notes] == [True]


@pytest.mark.parametrize("data", [b"title\nR1 a 0 1k\x00\n", b"\xff\xfet\x00\xd8", b"\x00\x01\x02\x03" * 40])
def test_what_is_no_text_is_named(write: Write, data: bytes) -> None:
    with pytest.raises(NetlistError, match=r"binary data|UTF-16"):
        read(write(data))


def test_a_place_on_another_machine_is_looked_for_beside_the_netlist(write: Write) -> None:
    """Exported netlists name their libraries by the place they had where they were drawn."""
    write(".model dd d(is=1e-15)\n", "some.lib")
    for place in (r"C:\drawings\lib\some.lib", "/opt/some tool/some.lib", "~/some.lib"):
        netlist = read(write(f'title\nV1 a 0 1\nD1 a 0 dd\n.lib "{place}"\n'))
        assert list(netlist.models) == ["dd"]
        assert "place on some machine" in netlist.notes[0].message and netlist.notes[0].line == 4
    with pytest.raises(NetlistError, match="or put the file beside it"):
        read(write("title\nV1 a 0 1\nR1 a 0 1k\n.include /etc/passwd\n"))


def test_a_library_of_another_machine_is_needed_or_skipped(write: Write) -> None:
    netlist = read(write(r"title\nV1 a 0 1\nR1 a 0 1k\n.lib C:\lib\common.lib".replace(r"\n", "\n")))
    assert "nothing here needs it" in netlist.notes[0].message and netlist.notes[0].line == 4
    with pytest.raises(NetlistError, match="or put the file beside it") as caught:
        read(write("title\nV1 a 0 1\nD1 a 0 missing\n.lib ~/lib/common.lib\n"))
    assert [finding.line for finding in caught.value.findings] == [3, 4]


@pytest.mark.parametrize(
    "value", ["4.7kOhm", "4.7k\u2126", "4.7K\u03a9", "4700", "4.7e3", "{4.7k}", "'4.7*1k'"]
)
def test_ways_to_write_4700_ohms(write: Write, value: str) -> None:
    netlist = read(write(f"title\nV1 a 0 1\nR1 a 0 {value}\n"))
    assert netlist.value("r1") == pytest.approx(4700.0)
    assert all(line.text.isascii() for line in netlist.deck())


def test_bookkeeping_is_left_out_with_a_note(write: Write) -> None:
    netlist = read(
        write(
            "title\nV1 a 0 1\nR1 a b 1k tol=1 pwr=0.1\n"
            'C1 b 0 10u V=16 Irms=0 mfg="A B" pn="x-1" type="film"\n'
            "Q1 a b 0 qq\n.model qq NPN(BF=100 Vceo=40 Icrating=200m mfg=nobody)\n"
        )
    )
    assert netlist.value("c1") == pytest.approx(10e-6) and not netlist.parts["c1"].parameters
    assert netlist.models["qq"].parameters == {"bf": "100"}
    assert [(note.line, note.key) for note in netlist.notes] == [(3, "R1"), (4, "C1"), (6, "qq")]
    assert all("left out" in note.message for note in netlist.notes)


def test_a_word_in_a_model_is_a_finding(write: Write) -> None:
    """To the engine it is an undefined parameter, which costs its process."""
    with pytest.raises(NetlistError, match='there is no parameter "nothing"') as caught:
        read(write("title\nV1 a 0 1\nQ1 a a 0 qq\n.model qq npn(bf=nothing)\n"))
    assert caught.value.findings[0].line == 4
    assert read(write("title\n.param known=90\nV1 a 0 1\nQ1 a a 0 qq\n.model qq npn(bf=known)\n")).models


def test_a_resistance_in_series_becomes_a_part(write: Write) -> None:
    netlist = read(write("title\nV1 a 0 1 Rser=2\nC1 a b 1u Rser=0.1 Lser=1n Rpar=10Meg\nR1 b 0 1k\n"))
    assert netlist.value("RV1_rser") == 2.0 and netlist.value("rc1_rser") == 0.1
    assert netlist.parts["v1"].nodes == ("v1_rser", "0")
    assert netlist.parts["rv1_rser"].nodes == ("v1_rser", "a")
    assert [netlist.parts[name].nodes for name in ("c1", "rc1_rser", "lc1_lser", "rc1_rpar")] == [
        ("a", "c1_rser"), ("c1_rser", "c1_lser"), ("c1_lser", "b"), ("a", "b"),
    ]  # fmt: skip


def test_an_invisible_character_is_named(write: Write) -> None:
    with pytest.raises(NetlistError, match=r"U\+00A0") as caught:
        read(write("title\nV1 a 0 1\nR1 a\u00a00 1k\n"))
    assert caught.value.findings[0].line == 3


def test_conditions_are_written_anew_from_what_was_understood(write: Write) -> None:
    netlist = read(
        write(
            "title\n.param half=2.5\nR1 a b 1k\nR2 B 0 1k\nV1 a 0 1\n.IC V (a) = -1m  v( b )='half *  2'\n"
            ".nodeset V(A)={half}, v(b)=3\n.global  a, b\n"
        )
    )
    deck = [line.text for line in netlist.deck()]
    assert deck[-3:] == [".ic v(a)=-1m v(b)={half * 2}", ".nodeset v(a)={half} v(b)=3", ".global a b"]


def test_lines_of_an_exported_netlist_are_skipped_with_a_note(write: Write) -> None:
    netlist = read(
        write(
            "title\nR1 a 0 1k\nV1 a 0 1\n.tran 1u 1m\n.print v(a)\n.meas tran x max v(a)\n.probe v(a)\n"
            ".save v(a)\n.temp 50\n.options reltol=1e-4 savecurrents\n.ic v(a)=0\n.nodeset v(a)=1\n.end\n"
        )
    )
    assert [note.line for note in netlist.notes] == [4, 5, 6, 7, 8, 9, 10]
    assert netlist.options == {"reltol": "1e-4", "savecurrents": ""}
    deck = [line.text for line in netlist.deck()]
    assert deck == ["R1 a 0 1k", "V1 a 0 1", ".ic v(a)=0", ".nodeset v(a)=1"]


def test_nothing_behind_the_end_is_used(write: Write) -> None:
    netlist = read(write("title\nR1 a 0 1k\nV1 a 0 1\n.END\nR2 a 0 nonsense\n"))
    assert set(netlist.parts) == {"r1", "v1"}
    assert netlist.notes[0].line == 5


def test_includes_come_from_the_own_folder_the_given_ones_and_the_package(
    write: Write, tmp_path: Path
) -> None:
    write("R2 b 0 2k\n.include deeper/more.inc\n", "own.inc")
    write("R3 b 0 3k\n", "deeper/more.inc")
    other = tmp_path.parent / f"{tmp_path.name}_other"
    other.mkdir()
    (other / "far.inc").write_text("R4 b 0 4k\n")
    shipped = sorted(path.name for path in (netlists_folder() / "parts").glob("comparator_393.inc"))
    assert shipped, "the package's own models are missing"
    path = write(
        'title\nV1 b 0 1\n.include "own.inc"\n.inc far.inc\n.include "parts/comparator_393.inc"\n'
        "X1 b b b 0 o comparator_393\nRo o b 1k\n"
    )
    netlist = read_netlist(path, [other])
    assert {"r2", "r3", "r4"} <= set(netlist.parts)
    assert netlist.parts["r3"].line.path.name == "more.inc"
    assert netlist.parts["r3"].line.number == 1
    assert [file.name for file, _ in netlist.files] == [
        "board.cir", "own.inc", "more.inc", "far.inc", "comparator_393.inc",
    ]  # fmt: skip
    with pytest.raises(NetlistError, match="no file"):
        read_netlist(path)


def test_the_same_file_twice_is_read_once(write: Write) -> None:
    write(".model dd d(is=1e-15)\n", "diode.inc")
    netlist = read(write("title\nV1 a 0 1\nD1 a 0 dd\n.include diode.inc\n.include diode.inc\n"))
    assert list(netlist.models) == ["dd"]
    assert "included before" in netlist.notes[0].message


def test_a_section_of_a_library(write: Write) -> None:
    write(".lib fast\n.param speed=2\n.endl\n.lib slow\n.param speed=1\n.endl fast\n", "corner.lib")
    netlist = read(write("title\nV1 a 0 1\nR1 a 0 {speed*1k}\n.lib 'corner.lib' slow\n"))
    assert netlist.value("r1") == 1000.0
    with pytest.raises(NetlistError, match='no section "medium"'):
        read(write("title\nV1 a 0 1\nR1 a 0 1k\n.lib corner.lib medium\n"))


def test_a_section_may_take_in_another_of_the_same_file(write: Write) -> None:
    text = (
        ".lib Usual\n.param speed=2\n.lib 'corner.lib' Parts\n.endl\n.lib parts\n.param size=3\n{more}.endl\n"
    )
    write(text.format(more=""), "corner.lib")
    netlist = read(write("title\nV1 a 0 1\nR1 a 0 {speed*size}\n.lib corner.lib usual\n"))
    assert netlist.value("r1") == 6.0
    write(text.format(more=".lib corner.lib usual\n"), "corner.lib")
    with pytest.raises(NetlistError, match="includes itself"):
        read(write("title\nV1 a 0 1\n.lib corner.lib usual\n"))


LIBRARY = """\
.subckt wanted a b
X1 a b helper
.ends
.subckt helper a b
R1 a b VALUE
.ends
.subckt filter a b
E1 c 0 LAPLACE {V(a,b)} = {1/(1+s)}
R1 c b 1
.ends
.subckt gate a b
U1 inv $g_dpwr $g_dgnd a b gate_model
.ends
.model gate_model ugate (tplhty=1n)
"""


@pytest.mark.parametrize("mode", ["native", "commercial"])
def test_parts_of_a_library_that_nothing_needs_may_be_unreadable(write: Write, mode: str) -> None:
    write(LIBRARY.replace("VALUE", "1k"), "many.lib")
    board = "title\nV1 a 0 1\nX1 a 0 {}\n.lib many.lib\n"
    netlist = read_netlist(write(board.format("wanted")), (), Dialects(mode))
    assert {"wanted", "helper"} == set(netlist.subcircuits)
    (note,) = (note for note in netlist.notes if "skipped" in note.message)
    assert "transfer function" in note.message and note.path is not None and note.path.name == "many.lib"
    assert "skipped, for nothing here needs it: filter and " in note.message
    with pytest.raises(NetlistError, match="transfer function") as caught:
        read_netlist(write(board.format("filter")), (), Dialects(mode))
    assert [finding.line for finding in caught.value.findings] == [8]


def test_what_a_needed_part_needs_has_to_be_readable(write: Write) -> None:
    write(LIBRARY.replace("VALUE", "{1k"), "many.lib")
    with pytest.raises(NetlistError) as caught:
        read(write("title\nV1 a 0 1\nX1 a 0 wanted\n.lib many.lib\n"))
    assert [finding.line for finding in caught.value.findings] == [5]


def test_a_line_that_runs_something_is_refused_where_nothing_needs_it_too(write: Write) -> None:
    text = LIBRARY.replace("VALUE", "1k").replace("R1 c b 1", ".control\nshell ls\n.endc")
    write(text, "many.lib")
    with pytest.raises(NetlistError, match=r"many\.lib:9"):
        read(write("title\nV1 a 0 1\nX1 a 0 wanted\n.lib many.lib\n"))


def test_a_whole_library(write: Write) -> None:
    write(".param speed=3\n", "plain.lib")
    assert read(write("title\nV1 a 0 1\nR1 a 0 {speed}\n.lib plain.lib\n")).value("r1") == 3.0


def test_an_include_cannot_include_itself(write: Write) -> None:
    write(".include b.inc\n", "a.inc")
    write(".include a.inc\n", "b.inc")
    with pytest.raises(NetlistError, match="includes itself") as caught:
        read(write("title\nV1 a 0 1\n.include a.inc\n"))
    assert [finding.path.name for finding in caught.value.findings if finding.path] == ["b.inc"]


def test_the_excerpt_of_a_subcircuit_holds_what_it_needs_and_no_more(write: Write) -> None:
    text = (
        "title\n.param gain=3 unused=4 half={gain/2}\n.func twice(x) {2*x}\n.model dd d(is=1e-15)\n"
        ".model other d(is=2e-15)\n"
        ".subckt inner a b\nR1 a b {twice(half)*1k}\n.ends\n.subckt outer a b\nX1 a m inner\n"
        "D1 m b dd\n.ends\n"
        ".subckt stranger a b\nR1 a b 1\n.ends\nV1 n 0 1\nX9 n 0 outer\n"
    )
    netlist = read(write(text))
    assert netlist.subcircuit_text("OUTER").splitlines() == [
        ".param gain=3", ".param half={gain/2}", ".func twice(x) {2*x}", ".model dd d(is=1e-15)",
        ".subckt inner a b", "R1 a b {twice(half)*1k}", ".ends",
        ".subckt outer a b", "X1 a m inner", "D1 m b dd", ".ends",
    ]  # fmt: skip
    moved = read(
        write(text.replace(".model dd", "* a comment\n\n.model   dd").replace("   dd", " dd"), "moved.cir")
    )
    assert moved.subcircuit_text("outer") == netlist.subcircuit_text("outer")
    alike = read(write(text.replace("m inner", "unused inner").replace("D1 m", "D1 unused"), "alike.cir"))
    assert ".param unused=4" not in alike.subcircuit_text("outer")  # a node may be called like a parameter
    changed = read(write(text.replace("gain=3", "gain=4"), "changed.cir"))
    assert changed.subcircuit_text("outer") != netlist.subcircuit_text("outer")
    assert changed.subcircuit_text("stranger") == netlist.subcircuit_text("stranger")
    with pytest.raises(NetlistError, match='did you mean "outer"'):
        netlist.subcircuit_text("outter")


def test_the_boards_that_ship_with_the_package_are_read() -> None:
    for path in sorted(netlists_folder().glob("boards/*/*.cir")):
        netlist = read_netlist(path)
        assert netlist.parts and netlist.title and not netlist.notes, path
