"""The wire of the bench's own network namespace: which hosts stay silent or refuse, and a count of what the client sends."""

from __future__ import annotations

import json
import subprocess
from collections.abc import Iterable, Sequence

#: Set up by nft(8).  The table "sent" is also read by tests/lab/test_scale.py.
_COUNTERS = """\
table ip sent {{
  counter asked {{ }}
  counter names {{ }}
  counter clocks {{ }}
  counter echoes {{ }}
  counter connections {{ }}
  chain out {{
    type filter hook output priority 0; policy accept
    udp dport {names} counter name names
    udp dport {time} counter name clocks
    icmp type {{ echo-request, timestamp-request }} counter name echoes
    tcp flags & (syn | ack) == syn counter name connections
    udp dport {{ {names}, {time} }} counter name asked
    icmp type {{ echo-request, timestamp-request }} counter name asked
    tcp flags & (syn | ack) == syn counter name asked
  }}
}}
"""


def loopback_up() -> None:
    """A new namespace has its loopback interface down."""
    subprocess.run(["ip", "link", "set", "lo", "up"], check=True)


def quieten(silent: Iterable[str], refusing: Iterable[str]) -> None:
    """Drop everything to the silent addresses, and have every connection to the refusing ones reset."""
    rules = [f"ip daddr {{ {', '.join(addresses)} }} {what}" for addresses, what in (
        (list(silent), "drop"), (list(refusing), "tcp flags & (syn | ack) == syn reject with tcp reset")) if addresses]
    _apply("table ip bench {\n  chain in {\n    type filter hook input priority 0; policy accept\n    "
           + "\n    ".join(rules) + "\n  }\n}\n")


def count(ports: dict[str, int]) -> None:
    """Begin to count questions to the name servers and the time servers, echoes, and connections begun."""
    _apply(_COUNTERS.format(names=ports["names"], time=ports["time"]))


def counted() -> dict[str, int]:
    """What has been sent so far, by kind."""
    told = subprocess.run(["nft", "-j", "list", "counters"], check=True, capture_output=True).stdout
    kept: Sequence[dict[str, dict[str, object]]] = json.loads(told)["nftables"]
    return {str(one["counter"]["name"]): int(str(one["counter"]["packets"])) for one in kept if "counter" in one}


def _apply(rules: str) -> None:
    subprocess.run(["nft", "-f", "-"], check=True, text=True, input=rules)
