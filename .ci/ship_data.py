# SPDX-License-Identifier: GPL-3.0-or-later
"""Build hook: a wheel carries netlists/ and shared/; an editable install reads the checkout's own."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from hatchling.builders.hooks.plugin.interface import BuildHookInterface


class ShipData(BuildHookInterface):  # type: ignore[type-arg]
    """Adds the two data folders to every wheel but the editable one."""

    def initialize(self, version: str, build_data: dict[str, Any]) -> None:
        """Name what goes where; ``version`` is ``standard`` or ``editable``."""
        if version == "editable":
            return
        root = Path(self.root)
        for file in sorted(
            found for folder in ("netlists", "shared") for found in (root / folder).rglob("*")
        ):
            place = file.relative_to(root)
            if file.is_file() and not any(part.startswith(".") for part in place.parts):
                build_data["force_include"][str(file)] = f"harness/_data/{place.as_posix()}"
