"""Zones as data, and as the master files that a name server loads (RFC 1035 section 5)."""

from __future__ import annotations

from dataclasses import dataclass, replace


@dataclass(frozen=True, slots=True)
class Zone:
    """A zone: its origin without the final dot, its serial, its records as "owner type value", names absolute, and its server."""

    origin: str
    serial: int
    records: tuple[str, ...]
    server: str = "ns1.obs.example.net"

    @property
    def file(self) -> str:
        """The name of its master file; an RFC 2317 zone may hold a slash."""
        return f"{self.origin.replace('/', '-')}.zone"

    def text(self) -> str:
        """The master file."""
        head = (f"$TTL 3600\n{self.origin}. IN SOA {self.server}. hostmaster.obs.example.net. {self.serial} "
                f"7200 900 1209600 3600\n{self.origin}. IN NS {self.server}.\n")
        return head + "".join(f"{_as_line(record)}\n" for record in self.records)

    def without(self, *starts: str) -> Zone:
        """The same zone without the records that begin so; each beginning must fit at least one record."""
        for start in starts:
            assert any(record.startswith(start) for record in self.records), f"{self.origin} has no record {start}"
        return replace(self, records=tuple(record for record in self.records if not record.startswith(starts)))

    def plus(self, *records: str) -> Zone:
        """The same zone with more records."""
        return replace(self, records=(*self.records, *records))

    def at(self, serial: int) -> Zone:
        """The same zone under another serial."""
        return replace(self, serial=serial)


def _as_line(record: str) -> str:
    owner, rrtype, value = record.split(" ", 2)
    return f"{owner} IN {rrtype} {value}"
