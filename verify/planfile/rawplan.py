"""The tables of a plan file as typed: which keys there are, and what kind of value each takes.

The words in ``Annotated`` end the sentence "must be ..." where a value is of the wrong kind.
"""

from __future__ import annotations

import datetime
from typing import Annotated

import msgspec


class PlanTable(msgspec.Struct):
    """``[plan]``."""

    title: Annotated[str, 'text in quotes, such as "Tidewater Observatory, rack 2"']
    domain: Annotated[str, 'a domain in quotes, such as "obs.example.net"']
    profile: Annotated[str, 'the name of a profile in quotes, such as "production"'] = "production"
    hosts_from: Annotated[str | None, 'the name of a file in quotes, such as "hosts.csv"'] = None


class NamesTable(msgspec.Struct):
    """``[names]``."""

    servers: Annotated[list[str], 'a list of addresses in quotes, such as ["192.0.2.53", "192.0.2.54"]']


class TimeTable(msgspec.Struct):
    """``[time]``."""

    sources: Annotated[list[str], 'a list of addresses or names in quotes, such as ["192.0.2.61", "192.0.2.62"]']


class TrustTable(msgspec.Struct):
    """``[trust]``."""

    anchors: Annotated[list[str], 'a list of PEM files in quotes, such as ["site-ca.pem"]']


class NetworkTable(msgspec.Struct):
    """``[networks.NAME]``."""

    subnet: Annotated[str | list[str], 'a subnet in quotes, such as "192.0.2.0/24"']
    gateway: Annotated[str | list[str] | None, 'an address in quotes, such as "192.0.2.1"'] = None
    vlan: Annotated[int | None, "a whole number from 1 to 4094, without quotes, such as 20"] = None
    mtu: Annotated[int, "a whole number, without quotes, such as 1500"] = 1500
    pool: Annotated[list[str], 'a list of ranges in quotes, such as ["192.0.2.100-192.0.2.199"]'] = []
    ipv6: Annotated[str, '"on" or "off", in quotes'] = "on"


class RoleTable(msgspec.Struct):
    """``[roles.NAME]``."""

    open: Annotated[list[str], 'a list of ports in quotes, such as ["22/tcp", "443/tcp"]'] = []
    closed: Annotated[list[str], 'a list of ports in quotes, such as ["23/tcp"]'] = []
    tls: Annotated[list[str], 'a list of ports in quotes, such as ["443/tcp"]'] = []
    ssh: Annotated[list[str], 'a list of ports in quotes, such as ["22/tcp"]'] = []
    http: Annotated[list[str], 'a list of ports in quotes, such as ["80/tcp"]'] = []
    ntp: Annotated[bool | str, 'true, false, or a port in quotes, such as "1123/udp"'] = False
    services: Annotated[list[str], 'a list of service units in quotes, such as ["ssh", "chrony"]'] = []
    access: Annotated[bool, "true or false, without quotes, such as false"] = True


class AccessTable(msgspec.Struct):
    """``[access]``."""

    user: Annotated[str, 'the name of an account in quotes, such as "trial"']
    known_hosts: Annotated[str, 'the name of a file in quotes, such as "known_hosts"']
    key: Annotated[str | None, 'the name of a private key file in quotes, such as "trial.key"'] = None
    agent: Annotated[bool, "true or false, without quotes, such as true"] = False
    port: Annotated[str | None, 'a port in quotes, such as "2222/tcp"'] = None


class QuestionTable(msgspec.Struct):
    """``[[questions]]``."""

    name: Annotated[str, 'a short name in quotes, such as "kernel"']
    command: Annotated[str, 'a command that changes nothing, in quotes, such as "uname -r"']
    expect: Annotated[str | None, 'the whole output in quotes, such as "6.1.0"'] = None
    matches: Annotated[str | None, "a regular expression in quotes, such as '^6[.]1[.]'"] = None
    role: Annotated[str, 'the name of a role in quotes, in which * stands for anything, such as "node"'] = "*"
    host: Annotated[str, 'the name of a host in quotes, in which * stands for anything, such as "dome-*"'] = "*"


class HostTable(msgspec.Struct):
    """``[[hosts]]``."""

    name: Annotated[str, 'a name in quotes, such as "dome-a"']
    address: Annotated[str | list[str], 'an address in quotes, or a list of them, such as "192.0.2.11"']
    network: Annotated[str, 'the name of a network in quotes, such as "mgmt"']
    role: Annotated[str, 'the name of a role in quotes, such as "node"']
    mask: Annotated[str | int | list[str | int] | None, 'a mask in quotes, such as "255.255.255.0"'] = None
    gateway: Annotated[str | list[str] | None, 'an address in quotes, such as "192.0.2.1"'] = None
    vlan: Annotated[int | None, "a whole number from 1 to 4094, without quotes, such as 20"] = None
    mac: Annotated[str | None, 'a hardware address in quotes, such as "00:00:5e:00:53:01"'] = None
    notes: Annotated[str | None, 'text in quotes, such as "left of the door"'] = None


class WaiverTable(msgspec.Struct):
    """``[[waivers]]``."""

    check: Annotated[str, 'the name of a check in quotes, such as "certificate.trust"']
    reason: Annotated[str, 'text in quotes, such as "site CA is installed in phase 2"']
    until: Annotated[datetime.date, "the last day it holds, as a date, such as 2027-01-31"]
    host: Annotated[str, 'the name of a host in quotes, in which * stands for anything, such as "dome-*"'] = "*"
    subject: Annotated[str, 'text in quotes, in which * stands for anything, such as "443/tcp"'] = "*"


class LeaveOutTable(msgspec.Struct):
    """``[[leave_out]]``."""

    check: Annotated[str, 'the name of a check in quotes, such as "gateway.echo"']
    reason: Annotated[str, 'text in quotes, such as "the gateway ignores echo on purpose"']


class LimitTable(msgspec.Struct):
    """One line of ``[limits]``."""

    caution: Annotated[str | int | float | None, 'a quantity with its unit in quotes, such as "100 ms"'] = None
    fail: Annotated[str | int | float | None, 'a quantity with its unit in quotes, such as "1 s"'] = None


class ProfileFile(msgspec.Struct):
    """A profile file, less its ``[limits]``."""

    base: Annotated[str, 'the name of a profile in quotes, such as "production"']
