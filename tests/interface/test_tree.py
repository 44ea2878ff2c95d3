# SPDX-License-Identifier: GPL-3.0-or-later
"""What may lie in this repository: top level, licence lines, short modules, nothing of one machine alone."""

from __future__ import annotations

import ast
import re
import subprocess
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
TOP_LEVEL = {
    ".ci", ".gitignore", "DEVELOPERS.md", "LICENSE", "Makefile", "README.md", "harness", "netlists",
    "pyproject.toml", "reports", "requirements-lock.txt", "shared", "tests",
}  # fmt: skip
LONGEST_MODULE = 450
# Written in two halves, so that this file does not hold what it looks for.
FOREIGN = [
    *("py" + "pi.org", "python" + "hosted", "npm" + "js.org", "deb.deb" + "ian.org", "crates" + ".io"),
    *("/wo" + "rk/", "/ro" + "ot/", "/ho" + "me/", "/opt/" + "wheels", "/opt/" + "pypi", ".py" + "env/"),
]


@pytest.fixture(scope="module")
def tracked() -> list[Path]:
    """Every file under version control, as it lies on disk."""
    listing = subprocess.run(["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, text=True, check=True)
    files = [ROOT / name for name in listing.stdout.split("\0") if name]
    assert len(files) > 20
    return [file for file in files if file.is_file()]


def text_of(file: Path) -> str:
    return file.read_text(encoding="utf-8", errors="replace")


def test_nothing_else_at_the_top_level(tracked: list[Path]) -> None:
    """Files and folders at the top level are those that DEVELOPERS.md lists."""
    assert {file.relative_to(ROOT).parts[0] for file in tracked} <= TOP_LEVEL
    guide = text_of(ROOT / "DEVELOPERS.md")
    assert [name for name in sorted(TOP_LEVEL) if name not in guide] == []


def test_no_address_or_path_of_one_machine(tracked: list[Path]) -> None:
    """No tracked file holds a package registry's address or a path that exists on one machine only."""
    found = [
        f"{file.relative_to(ROOT)}: {word}"
        for file in tracked
        if file.suffix not in {".png", ".woff2"}
        for word in FOREIGN
        if word in text_of(file)
    ]
    assert found == []


def test_lock_holds_names_versions_and_hashes_only() -> None:
    """Every line of the lock is a comment, a pinned name or a hash; no address, option or path."""
    allowed = re.compile(r"#.*|[a-z0-9-]+==[0-9a-z.]+( ; [^/]+)? \\|    --hash=sha256:[0-9a-f]{64}( \\)?")
    lines = text_of(ROOT / "requirements-lock.txt").splitlines()
    assert [line for line in lines if line and not allowed.fullmatch(line)] == []


def test_lock_covers_every_dependency() -> None:
    """What pyproject.toml asks for by name stands pinned in the lock."""
    import tomllib

    project = tomllib.loads(text_of(ROOT / "pyproject.toml"))["project"]
    asked = project["dependencies"] + project["optional-dependencies"]["dev"]
    names = {re.match(r"[A-Za-z0-9-]+", entry).group().lower() for entry in asked}  # type: ignore[union-attr]
    pinned = set(re.findall(r"^([a-z0-9-]+)==", text_of(ROOT / "requirements-lock.txt"), re.MULTILINE))
    assert names - pinned == set()


def test_imports_are_declared(tracked: list[Path]) -> None:
    """The package imports the standard library, itself and the declared dependencies, nothing else."""
    import sys
    import tomllib

    project = tomllib.loads(text_of(ROOT / "pyproject.toml"))["project"]
    asked = list(project["dependencies"])
    for extra in ("cluster", "pytest"):
        asked += project["optional-dependencies"][extra]
    declared = {re.match(r"[A-Za-z0-9-]+", entry).group().lower() for entry in asked}  # type: ignore[union-attr]
    imported: set[str] = set()
    for file in tracked:
        if file.suffix == ".py" and file.is_relative_to(ROOT / "harness"):
            for node in ast.walk(ast.parse(text_of(file))):
                if isinstance(node, ast.Import):
                    imported |= {alias.name.partition(".")[0] for alias in node.names}
                elif isinstance(node, ast.ImportFrom) and node.module:
                    imported.add(node.module.partition(".")[0])
    foreign = {name.lower() for name in imported - set(sys.stdlib_module_names) - {"harness"}}
    assert foreign - declared == set(), "imported and not declared"
    assert declared - foreign == set(), "declared and not imported"


def test_licence_lines(tracked: list[Path]) -> None:
    """Python files open with the GPL line, everything for inclusion in a design with CC0."""
    python = "# SPDX-License-Identifier: GPL-3.0-or-later"
    missing = []
    for file in tracked:
        head = text_of(file)[:400].splitlines()[:3] if file.suffix != ".png" else []
        if file.is_relative_to(ROOT / "netlists") and file.suffix not in {"", ".md"}:
            if not any("SPDX-License-Identifier: CC0-1.0" in line for line in head):
                missing.append(file)
        elif file.suffix == ".py" and (not head or head[0] != python):
            missing.append(file)
    assert [str(file.relative_to(ROOT)) for file in missing] == []


def test_modules_are_short(tracked: list[Path]) -> None:
    """A module of the package holds one idea; one of more than 450 lines holds several."""
    long = {
        str(file.relative_to(ROOT)): count
        for file in tracked
        if file.suffix == ".py"
        and file.is_relative_to(ROOT / "harness")
        and (count := len(text_of(file).splitlines())) >= LONGEST_MODULE
    }
    assert long == {}


def test_test_names_are_unique(tracked: list[Path]) -> None:
    """Test files carry different names, so that one can be named without its folder."""
    names = [file.name for file in tracked if file.name.startswith("test_")]
    assert sorted(names) == sorted(set(names))
