"""The wall between the rooms: who may import what, read from the source itself."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
OURS = ("shared", "probes", "verify", "reports")

#: What rooms that only think may never reach, by themselves or through another room of ours.
NETWORK = {"asyncio", "socket", "ssl", "subprocess", "selectors", "dns", "paramiko", "scapy", "ntplib", "OpenSSL", "urllib",
           "http", "requests"}


def modules(room: str) -> dict[str, Path]:
    """Every module of a room by its dotted name."""
    found = {}
    for path in sorted((ROOT / room).rglob("*.py")):
        parts = path.relative_to(ROOT).with_suffix("").parts
        found[".".join(parts[:-1] if parts[-1] == "__init__" else parts)] = path
    return found


def imports(path: Path) -> set[str]:
    """Every module that a file imports, anywhere in it; names for type checkers only do not count."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    typing_only = {id(node) for block in ast.walk(tree) if isinstance(block, ast.If)
                   and ast.unparse(block.test) in ("TYPE_CHECKING", "typing.TYPE_CHECKING")
                   for inner in block.body for node in ast.walk(inner)}
    found: set[str] = set()
    for node in ast.walk(tree):
        if id(node) in typing_only:
            continue
        if isinstance(node, ast.Import):
            found.update(alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            base = node.module or ""
            if node.level:
                folder = path.relative_to(ROOT).parent.parts
                base = ".".join([*folder[: len(folder) - node.level + 1], *filter(None, [base])])
            found.add(base)
            found.update(f"{base}.{alias.name}" for alias in node.names)
    return found


ALL = {name: path for room in OURS for name, path in modules(room).items()}


def reach(name: str) -> set[str]:
    """Every outside package that a module of ours reaches, through modules of ours."""
    outside: set[str] = set()
    seen: set[str] = set()
    queue = [name]
    while queue:
        current = queue.pop()
        if current in seen:
            continue
        seen.add(current)
        for imported in imports(ALL[current]):
            if imported in ALL:
                queue.append(imported)
            elif imported.partition(".")[0] not in OURS:
                outside.add(imported.partition(".")[0])
    return outside


def test_the_wall_reads_real_modules() -> None:
    """The tests below would pass on an empty tree; this one would not."""
    assert all(len(modules(room)) > 3 for room in OURS)
    assert "asyncio" in reach("probes.sockets")


@pytest.mark.parametrize("name", [name for name in ALL if name.startswith(("shared", "reports", "verify.grading"))])
def test_rooms_that_think_never_reach_the_network(name: str) -> None:
    """Vocabulary, grading and reports reach no event loop, socket, TLS, DNS, SSH or packet library."""
    assert reach(name) & NETWORK == set()


@pytest.mark.parametrize(("room", "allowed"), [
    ("shared", {"shared"}),
    ("probes", {"probes", "shared"}),
    ("reports", {"reports", "shared"}),
    ("verify", {"verify", "probes", "reports", "shared"}),
])
def test_imports_run_one_way(room: str, allowed: set[str]) -> None:
    """Verify imports probes and reports, which import shared, and never the other way round."""
    crossing = {(name, imported) for name, path in modules(room).items() for imported in imports(path)
                if imported.partition(".")[0] in OURS and imported.partition(".")[0] not in allowed}
    assert crossing == set()


def test_graders_never_look_and_probes_never_judge() -> None:
    """Grading imports no probe, and no probe imports a finding."""
    grading = {imported for name, path in ALL.items() if name.startswith("verify.grading") for imported in imports(path)}
    probing = {imported for name, path in modules("probes").items() for imported in imports(path)}
    assert not {imported for imported in grading if imported.startswith("probes")}
    assert not {imported for imported in probing if imported.startswith("shared.findings")}


@pytest.mark.parametrize("arguments", [["--version"], ["--help"], ["verify", "--help"]])
def test_asking_for_help_loads_no_network_library(arguments: list[str]) -> None:
    """Nothing is imported that the command does not need."""
    program = ("import sys; from verify.__main__ import main\n"
               f"try: main({arguments!r})\nexcept SystemExit as end: assert not end.code, end.code\n"
               "print(*sorted(sys.modules), file=sys.stderr)")
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True, cwd=ROOT)
    loaded = {name.partition(".")[0] for name in done.stderr.split()}
    assert "click" in loaded
    assert loaded & {"dns", "paramiko", "scapy", "ntplib", "OpenSSL", "ssl", "cryptography", "jinja2", "sqlalchemy", "rich",
                     "asyncio"} == set()


@pytest.mark.parametrize("path", sorted(ALL.values()), ids=lambda path: str(path.relative_to(ROOT)))
def test_a_file_stays_small_enough_to_read(path: Path) -> None:
    """No file of the program is longer than 600 lines."""
    assert len(path.read_text(encoding="utf-8").splitlines()) <= 600
