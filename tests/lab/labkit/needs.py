"""What the laboratory needs of the machine: root, and Debian's servers and clients, said in one failure."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
from dataclasses import dataclass

import pytest


@dataclass(frozen=True, slots=True)
class Tool:
    """A program, the package it comes from, the arguments that make it say its version, and the oldest one that will do."""

    program: str
    package: str
    asked: tuple[str, ...] = ()
    oldest: tuple[int, int] = (0, 0)


#: The oldest versions are those of Debian 12, on which the laboratory was first built.
TOOLS = (
    Tool("ip", "iproute2", ("-V",), (6, 0)),
    Tool("nft", "nftables", ("-v",), (1, 0)),
    Tool("setpriv", "util-linux"),
    Tool("sysctl", "procps"),
    Tool("faketime", "faketime"),
    Tool("named", "bind9", ("-v",), (9, 18)),
    Tool("named-checkzone", "bind9-utils"),
    Tool("dig", "bind9-dnsutils", ("-v",), (9, 18)),
    Tool("chronyd", "chrony", ("-v",), (4, 0)),
    Tool("chronyc", "chrony"),
    Tool("nginx", "nginx", ("-v",), (1, 18)),
    Tool("sshd", "openssh-server"),
    Tool("ssh-keyscan", "openssh-client"),
    Tool("openssl", "openssl", ("version",), (3, 0)),
    Tool("ping", "iputils-ping"),
)


def find(program: str) -> str:
    """The path of a program, the administrator's folders included."""
    found = shutil.which(program, path=f"{os.environ.get('PATH', '')}:/usr/sbin:/sbin")
    assert found is not None, f"{program} was there when the laboratory was built"
    return found


def require() -> None:
    """Skip where the laboratory cannot be built for want of root; fail in CI, and wherever a tool is missing or too old."""
    if os.geteuid() != 0:
        said = "the laboratory of real servers makes network namespaces, which takes root"
        if os.environ.get("CI") == "true":
            pytest.fail(f"{said}, and CI skips nothing")
        pytest.skip(said)
    lacking = [lack for tool in TOOLS if (lack := _lack(tool))]
    if lacking:
        pytest.fail("the laboratory of real servers lacks:\n  " + "\n  ".join(lacking) + "\ntests/setup installs them all")


def _lack(tool: Tool) -> str:
    path = shutil.which(tool.program, path=f"{os.environ.get('PATH', '')}:/usr/sbin:/sbin")
    if path is None:
        return f"{tool.program}, from the Debian package {tool.package}"
    if not tool.asked:
        return ""
    said = subprocess.run([path, *tool.asked], capture_output=True, text=True, check=False, timeout=30)
    found = re.search(r"(\d+)\.(\d+)", said.stdout + said.stderr)
    if found is None or (int(found[1]), int(found[2])) >= tool.oldest:
        return ""
    oldest = ".".join(map(str, tool.oldest))
    return f"{tool.program} {oldest} or newer, from the Debian package {tool.package}; found is {found[0]}"
