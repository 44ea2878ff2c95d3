# SPDX-License-Identifier: GPL-3.0-or-later
"""Contents to pages: the template gets them as JSON, so that no text of a user is ever read as markup.

Fonts come with typst and matplotlib, none from the machine, and the document holds no moment in time: the
same contents give the same bytes.
"""

from __future__ import annotations

import json
from dataclasses import asdict
from pathlib import Path
from typing import Any, Literal

from harness.order.records import Contents

TEMPLATE = Path(__file__).resolve().parent / "template" / "order.typ"


def typeset(contents: Contents) -> bytes:
    """The document as PDF."""
    pages = _compiled(contents, "pdf")
    if not isinstance(pages, bytes):
        raise TypeError(f"typst gave {type(pages).__name__} instead of one document")
    return pages


def pictures_of(contents: Contents, dots_per_inch: float = 72.0) -> list[bytes]:
    """Its pages as PNG pictures."""
    pages = _compiled(contents, "png", dots_per_inch)
    return [pages] if isinstance(pages, bytes) else list(pages)


def as_json(contents: Contents) -> str:
    """The contents as the template reads them."""
    return json.dumps(asdict(contents), ensure_ascii=False)


def _compiled(contents: Contents, kind: Literal["pdf", "png"], dots_per_inch: float = 72.0) -> Any:
    import matplotlib
    import typst

    return typst.compile(
        str(TEMPLATE), format=kind, ppi=dots_per_inch, sys_inputs={"contents": as_json(contents)},
        font_paths=[str(Path(matplotlib.get_data_path()) / "fonts" / "ttf")], ignore_system_fonts=True,
    )  # fmt: skip
