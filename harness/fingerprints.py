# SPDX-License-Identifier: GPL-3.0-or-later
"""What decides a result, as plain data to be hashed: objects by their fields, modules by their content."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Mapping
from dataclasses import fields, is_dataclass
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

PACKAGE = Path(__file__).resolve().parent
_LEAVES = frozenset((str, float, int, bool, type(None)))


def plain(value: Any) -> Any:
    """A value ready for JSON: what has a ``fingerprint()`` by that, dataclasses by their fields, so that none
    can be forgotten, arrays as lists."""
    if type(value) in _LEAVES:
        return value
    if type(value) in (tuple, list) and _LEAVES.issuperset(map(type, value)):
        return list(value)
    if hasattr(value, "fingerprint"):
        return plain(value.fingerprint())
    if is_dataclass(value) and not isinstance(value, type):
        return {field.name: plain(getattr(value, field.name)) for field in fields(value)}
    if isinstance(value, Mapping):
        return {str(key): plain(entry) for key, entry in value.items()}
    if isinstance(value, np.ndarray | np.generic):
        return value.tolist()
    if isinstance(value, Iterable) and not isinstance(value, str):
        return [plain(entry) for entry in value]
    return value


class SharedText:
    """JSON of one object after the other, keys sorted, as of :func:`plain`. A part that is the very same
    object as at that place of the one before is put into text only once."""

    def __init__(self) -> None:
        self._last: dict[str, tuple[object, str]] = {}

    def of(self, value: Any, place: str = "") -> str:
        """The text of a value; ``place``: where it stands."""
        if type(value) in _LEAVES:
            return json.dumps(value)
        known = self._last.get(place)
        if known is not None and known[0] is value:
            return known[1]
        if is_dataclass(value) and not hasattr(value, "fingerprint"):
            text = self.of_parts({field.name: getattr(value, field.name) for field in fields(value)}, place)
        else:
            text = json.dumps(plain(value), sort_keys=True)
        self._last[place] = value, text
        return text

    def of_parts(self, parts: Mapping[str, Any], place: str = "") -> str:
        """The text of an object with these parts; their names are identifiers."""
        texts = (f'"{name}": {self.of(parts[name], f"{place}.{name}")}' for name in sorted(parts))
        return f"{{{', '.join(texts)}}}"


@cache
def sources_hash(patterns: tuple[str, ...], package: Path = PACKAGE) -> str:
    """Hash of the package's files that match any of some patterns: names and content."""
    digest = hashlib.sha256()
    for path in sorted({path for pattern in patterns for path in package.glob(pattern)}):
        digest.update(f"{path.relative_to(package).as_posix()}\0".encode())
        digest.update(hashlib.sha256(path.read_bytes()).digest())
    return digest.hexdigest()
