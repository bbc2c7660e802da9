"""Zones as data, and as the master files that a name server loads (RFC 1035 section 5)."""

from __future__ import annotations

from dataclasses import dataclass, replace


@dataclass(frozen=True, slots=True)
class Zone:
    """A zone: its origin without the final dot, its serial, and its records as "owner type value", names absolute."""

    origin: str
    serial: int
    records: tuple[str, ...]

    def text(self) -> str:
        """The master file; the name server of every zone is called ns1 below the zone's own name or the site's domain."""
        head = (f"$TTL 3600\n{self.origin}. IN SOA ns1.obs.example.net. hostmaster.obs.example.net. {self.serial} "
                f"7200 900 1209600 3600\n{self.origin}. IN NS ns1.obs.example.net.\n")
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
