"""The scenario: Tidewater Observatory, rack 2, twelve freshly installed hosts, ten of them with something wrong.

Data only.  Every fault is one field of a host, so that whoever reads the report can look up what was planted.
"""

from __future__ import annotations

from dataclasses import dataclass

DOMAIN = "obs.example.net"
SUBNET = "127.20.2.0/24"
GATEWAY = "127.20.2.1"
NAME_SERVERS = ("127.20.2.53", "127.20.2.54")
TIME_SOURCES = ("127.20.2.61", "127.20.2.62", "127.20.2.63", "127.20.2.64")

#: The third time source was set by hand once and never again.
WRONG_SOURCE, WRONG_SOURCE_SECONDS = "127.20.2.63", 41.7


@dataclass(frozen=True, slots=True)
class LabHost:
    """One host of the laboratory and what is wrong with it.

    ``stale_address`` is what the second name server still answers; ``reverse`` is what the reverse record says, or ""
    for none; ``clock_seconds`` is how far its clock is ahead; ``twin`` shares its SSH host key.
    """

    name: str
    address: str
    fault: str = ""
    stale_address: str | None = None
    reverse: str | None = None
    clock_seconds: float = 0.0
    synchronised: bool = True
    certificate: str = "site"
    certificate_names: tuple[str, ...] = ()
    old_tls: bool = False
    web: bool = True
    open_console: bool = False
    twin: str | None = None

    @property
    def fqdn(self) -> str:
        """The fully qualified name, without the final dot."""
        return f"{self.name}.{DOMAIN}"


HOSTS = (
    LabHost("dome-a", "127.20.2.11"),
    LabHost("dome-b", "127.20.2.12"),
    LabHost("dome-c", "127.20.2.13", "its reverse record was never made", reverse=""),
    LabHost("dome-d", "127.20.2.14", "the second name server still gives its old address", stale_address="127.20.2.114"),
    LabHost("dome-e", "127.20.2.15", "its reverse record still bears the name it was installed with",
            reverse="new-host-5.obs.example.net"),
    LabHost("vault-a", "127.20.2.21", "its hardware clock holds local time, two hours ahead", clock_seconds=7200.4),
    LabHost("vault-b", "127.20.2.22", "its time service is set but has chosen no source", synchronised=False,
            clock_seconds=0.8),
    LabHost("vault-c", "127.20.2.23", "its certificate is still the installer's own", certificate="self-signed"),
    LabHost("vault-d", "127.20.2.24", "its certificate bears the name it had before it was renamed",
            certificate_names=("new-host-4.obs.example.net",)),
    LabHost("relay-a", "127.20.2.31", "a clear-text console was left on after troubleshooting", open_console=True),
    LabHost("relay-b", "127.20.2.32", "its management service is not running", web=False),
    LabHost("relay-c", "127.20.2.33", "it was cloned from relay-a with its keys, and still speaks TLS 1.0", old_tls=True,
            twin="relay-a"),
)
