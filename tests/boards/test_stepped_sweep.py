# SPDX-License-Identifier: GPL-3.0-or-later
"""A run whose duty moves in steps over the control: nothing of it is believed, and the report says so."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from harness import run as whole
from harness.resources import netlists_folder
from harness.simulate import CornerResult

CONTROLS = [float(control) for control in range(11)]
STEP = 0.02  # of the duty


def board_in(folder: Path) -> Path:
    """The slicing stage on an ideal ramp, its control swept in eleven steps at the nominal supply alone."""
    source = netlists_folder() / "boards" / "kestrel" / "kestrel_slicer.board.toml"
    text = source.read_text(encoding="utf8")
    for old, new in (
        ("values = [0, 2.5, 5, 7.5, 10]", f"values = {CONTROLS}"),
        ("values = [13.5, 15, 16.5]", "values = [15]"),
        ("values = [0, 25, 50]", "values = [25]"),
    ):
        assert text.count(old) == 1
        text = text.replace(old, new)
    shutil.copy(source.with_name("kestrel_slicer.cir"), folder)
    path = folder / source.name
    path.write_text(text, encoding="utf8")
    return path


def in_steps(simulated: Callable[..., list[CornerResult]]) -> Callable[..., list[CornerResult]]:
    """The same results with a duty that starved steps would give."""

    def changed(*arguments: object) -> list[CornerResult]:
        results = simulated(*arguments)
        for result in results:
            result.figures["duty"] = STEP * round(result.figures["duty"] / STEP)
        return results

    return changed


@pytest.mark.slow
def test_a_sweep_in_steps_is_too_coarse(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = board_in(tmp_path)
    sound = whole.run(path, jobs=1)
    assert not [sentence for sentence in sound.run["assumed"] if "in steps" in sentence]
    assert np.isfinite(sound.corners["duty.bar"]).all()
    assert "too coarse" not in set(sound.corners["duty.agreement"])

    monkeypatch.setattr(whole, "simulated", in_steps(whole.simulated))
    stepped = whole.run(path, jobs=1)
    (sentence,) = [sentence for sentence in stepped.run["assumed"] if "in steps" in sentence]
    assert "duty moves in steps over control, supply 15, temperature 25: up to 0.0" in sentence
    assert set(stepped.corners["duty.agreement"]) == {"too coarse"}
    assert set(stepped.corners["duty.limit"]) == {"too close to call"}
