# SPDX-License-Identifier: GPL-3.0-or-later
"""What a bench measures, on what, and the key under which that is kept."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from harness.fingerprints import plain, sources_hash

Array = NDArray[np.float64]
#: whose sources have a say in a figure that was measured alone
SOURCES = ("alone/**/*.py", "engine/**/*.py", "predict/**/*.py")


@dataclass(frozen=True)
class Value:
    """A real-part value: ``unit``; ``origin``, for the reader; ``axes``: name -> rising knots of its
    table."""

    name: str
    unit: str
    origin: str
    axes: Mapping[str, Array]


@dataclass(frozen=True)
class Refused:
    """A bench that cannot be built: its values stay unknown, with the reason."""

    title: str
    names: tuple[str, ...]
    why: str


@dataclass(frozen=True)
class Bench:
    """Values that are measured together.

    ``subject``: all that decides the result (see :func:`plain`), model text included; ``measure()`` gives
    figures by name, each of the shape of its value's axes.
    """

    title: str
    values: tuple[Value, ...]
    subject: Mapping[str, Any]
    measure: Callable[[], Mapping[str, Array]]

    @property
    def names(self) -> tuple[str, ...]:
        """Of the values."""
        return tuple(value.name for value in self.values)

    @cached_property
    def text(self) -> str:
        """The subject and the sources that measure it, as one line of JSON."""
        described = {"subject": plain(self.subject), "sources": sources_hash(SOURCES)}
        return json.dumps(described, sort_keys=True)

    @property
    def key(self) -> str:
        """Hash of that text."""
        return hashlib.sha256(self.text.encode()).hexdigest()
