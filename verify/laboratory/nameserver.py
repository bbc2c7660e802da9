"""Two authoritative name servers for the laboratory's zones, over UDP and TCP; the second never got the last change."""

from __future__ import annotations

import asyncio

import dns.flags
import dns.message
import dns.name
import dns.rcode
import dns.rdatatype
import dns.rrset

from shared.hostnames import canonical, reverse_name
from verify.laboratory.datagrams import serve_datagrams
from verify.laboratory.scenario import DOMAIN, HOSTS, NAME_SERVERS

_TTL_SECONDS = 3600
_REVERSE_ZONE = "2.20.127.in-addr.arpa"

#: (name, type) to record texts.
Records = dict[tuple[str, str], tuple[str, ...]]


def records(server: str) -> Records:
    """What one of the two name servers holds."""
    fresh = server == NAME_SERVERS[0]
    serial = 2026110203 if fresh else 2026103001
    soa = f"ns1.{DOMAIN}. hostmaster.{DOMAIN}. {serial} 7200 900 1209600 3600"
    table: Records = {(DOMAIN, "SOA"): (soa,), (_REVERSE_ZONE, "SOA"): (soa,)}
    table[(DOMAIN, "NS")] = table[(_REVERSE_ZONE, "NS")] = (f"ns1.{DOMAIN}.", f"ns2.{DOMAIN}.")
    for index, address in enumerate(NAME_SERVERS, start=1):
        table[(f"ns{index}.{DOMAIN}", "A")] = (address,)
    for host in HOSTS:
        address = host.address if fresh or host.stale_address is None else host.stale_address
        table[(host.fqdn, "A")] = (address,)
        reverse = host.fqdn if host.reverse is None else host.reverse
        if reverse:
            table[(reverse_name(host.address), "PTR")] = (reverse + ".",)
    return table


def answer(table: Records, packet: bytes) -> bytes | None:
    """The authoritative answer to one packet; None for a packet that is no question."""
    try:
        query = dns.message.from_wire(packet)
    except Exception:  # noqa: BLE001 -- a laboratory server drops whatever it cannot read
        return None
    if query.flags & dns.flags.QR or not query.question:
        return None
    question = query.question[0]
    name, rrtype = canonical(question.name.to_text()), dns.rdatatype.to_text(question.rdtype)
    response = dns.message.make_response(query)
    zone = next((zone for zone in (DOMAIN, _REVERSE_ZONE) if name == zone or name.endswith("." + zone)), None)
    if zone is None:
        response.set_rcode(dns.rcode.REFUSED)
        return response.to_wire()
    response.flags |= dns.flags.AA
    texts = table.get((name, rrtype))
    if texts:
        response.answer.append(dns.rrset.from_text_list(question.name, _TTL_SECONDS, "IN", rrtype, list(texts)))
    else:
        if not any(owner == name or owner.endswith("." + name) for owner, _ in table):
            response.set_rcode(dns.rcode.NXDOMAIN)
        soa = table[(zone, "SOA")]
        response.authority.append(dns.rrset.from_text_list(dns.name.from_text(zone), _TTL_SECONDS, "IN", "SOA", list(soa)))
    return response.to_wire()


async def serve(address: str, port: int) -> None:
    """Serve one name server until cancelled."""
    table = records(address)

    async def conversation(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            while True:
                length = int.from_bytes(await reader.readexactly(2), "big")
                reply = answer(table, await reader.readexactly(length))
                if reply is None:
                    break
                writer.write(len(reply).to_bytes(2, "big") + reply)
                await writer.drain()
        except (asyncio.IncompleteReadError, ConnectionError):
            pass
        finally:
            writer.close()

    async with asyncio.TaskGroup() as group, await asyncio.start_server(conversation, address, port) as server:
        group.create_task(serve_datagrams(address, port, lambda packet: answer(table, packet)))
        await server.serve_forever()
