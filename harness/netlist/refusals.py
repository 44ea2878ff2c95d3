# SPDX-License-Identifier: GPL-3.0-or-later
"""What a netlist may not hold: all that would run, load or write something, or poison the engine.

A netlist is text that travels by mail, and an engine runs programs named in it: in a block of commands,
behind ``*#`` in a comment, from a first line that makes it a script (seen on engines 39, 44 and 47), and from
a plain ``.model`` line (44 and 47). Lines seen to do nothing, such as ``.exec``, are refused too; they
have no business here. The refusals act on text, before the engine sees any. They are a gate, not a sandbox.
"""

from __future__ import annotations

import re
from dataclasses import dataclass


@dataclass(frozen=True)
class Refusal:
    """One thing that is refused: where it stands in a logical line, and the sentence that says why."""

    name: str
    pattern: re.Pattern[str]
    sentence: str


def _refusal(name: str, pattern: str, sentence: str) -> Refusal:
    return Refusal(name, re.compile(pattern, re.IGNORECASE | re.ASCII), sentence)


_CALL = r"(?<![\w.]){}\s*\("

REFUSALS: tuple[Refusal, ...] = (
    _refusal(
        "control block",
        r"^\s*\.(control|endc)(?!\w)",
        "a block of engine commands can run programs and write files; delete these lines",
    ),
    _refusal(
        "command in a comment",
        r"^\s*\*\s*#",
        'the engine runs what stands behind "*#" as a command; delete this line',
    ),
    _refusal(
        "script",
        r"^\s*\*?\s*ng_script|^\s*#!",
        "the engine would run this file as a script; delete this line",
    ),
    _refusal(
        "process model",
        r"(?<!\w)d_process(?!\w)|(?<!\w)process_file(?!\w)",
        "a d_process model starts a program; delete the model and the parts that use it",
    ),
    _refusal(
        "co-simulation",
        r"(?<!\w)d_cosim(?!\w)",
        "a d_cosim model loads a program library; delete the model and the parts that use it",
    ),
    _refusal(
        "file model",
        r"(?<!\w)filesource(?!\w)|^\s*\.model\s.*(?<!\w)(d_source|d_state|table2d|table3d|xfer)(?!\w)",
        "this model reads a file of its own; describe the source in the netlist (PWL, PULSE) instead",
    ),
    _refusal(
        "file name",
        r"(?<!\w)(\w+_)?(file|wavefile)(_?name)?\s*=",
        "a part or model may not name a file; describe it in the netlist instead",
    ),
    _refusal(
        "code model",
        r"(?<!\w)(pre_)?(codemodel|osdi)(?!\w)",
        "loading program libraries into the engine is refused; delete this line",
    ),
    _refusal(
        "command before loading",
        r"^\s*[.*]?\s*pre_\w+",
        'the engine runs "pre_" lines as commands; delete this line',
    ),
    _refusal(
        "command line",
        r"^\s*\.(exec|shell|system|source|load|write|wrdata|wrs2p|wave|libsave|sndprint|sndparam|quit|cd|hdl|verilog)(?!\w)",
        "this line would run, load or write something; delete it",
    ),
    _refusal(
        "backtick",
        r"`",
        "a backtick can start a program; delete it",
    ),
    _refusal(
        "cshunt",
        r"^\s*\.opt\w*\s.*(?<!\w)cshunt(?!\w)",
        "the engine would keep cshunt for every later circuit; draw the capacitor instead",
    ),
    _refusal(
        "random value",
        _CALL.format("a?(gauss|unif)"),
        "the engine reads this function as a random number, drawn once; give tolerances in the board file",
    ),
    _refusal(
        "limit",
        _CALL.format("limit"),
        "the engine reads this function as a random number, drawn once; write min(max(x, low), high) to "
        'clip; dialect = "commercial" in [board] may read it',
    ),
    _refusal(
        "external source",
        r"^\s*[vi]\S*\s+\S+\s+\S+\s.*(?<![\w.])external(?!\w)",
        "an external source wants a program that feeds it; give a value or PULSE, SIN, PWL",
    ),
)

_MODEL_TYPE = re.compile(r"^(\s*\.model\s+\S+\s+)limit(?=\s*\()", re.IGNORECASE | re.ASCII)


def refused(text: str, translated: bool = False) -> str:
    """The sentence for the first thing in a line that is refused, or an empty text.

    ``text`` is a logical line with its comment removed, or a comment line as it stands. Letter case,
    indentation and blanks do not matter. ``translated``: its expressions will be written anew, ``limit`` as a
    clipper.
    """
    plain = _MODEL_TYPE.sub(r"\1limiter", text)
    if plain.lstrip().startswith("*"):
        return next((entry.sentence for entry in _IN_COMMENTS if entry.pattern.search(plain)), "")
    left = (entry for entry in REFUSALS if not (translated and entry.name == "limit"))
    return next((entry.sentence for entry in left if entry.pattern.search(plain)), "")


def refused_pieces(pieces: tuple[str, ...], translated: bool = False) -> str:
    """The same for a line and its continuations, however an engine may join them: with a blank or without."""
    return refused(" ".join(pieces), translated) or (
        refused("".join(piece.strip() for piece in pieces), translated) if len(pieces) > 1 else ""
    )


_IN_COMMENTS = tuple(
    entry for entry in REFUSALS if entry.name in ("command in a comment", "script", "command before loading")
)
