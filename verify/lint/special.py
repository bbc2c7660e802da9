"""How a plan's address is judged by what its block is set aside for (``shared.special_addresses``)."""

from __future__ import annotations

from shared.addresses import Address, Subnet, first_host, last_host
from shared.findings import Grade
from shared.plan import Plan
from shared.special_addresses import Purpose, SpecialBlock, special_block

#: What one expects in a rehearsal, where the domain is reserved and the site cannot be live.
_REHEARSED = (Purpose.DOCUMENTATION, Purpose.BENCHMARKING, Purpose.LOOPBACK)


def judge(address: Address, plan: Plan) -> tuple[Grade, str]:
    """The grade of planning ``address``, and why, as the end of a sentence; empty for an ordinary or private address.

    A block that may not stand in a datagram between two machines, or that no router forwards, is a fail; documentation and
    benchmarking are cautions, and so is every other use.  In a rehearsal documentation, benchmarking and loopback pass.
    """
    block = special_block(address)
    if block is None or block.purpose is Purpose.PRIVATE:
        return Grade.PASS, ""
    if plan.rehearsal and block.purpose in _REHEARSED:
        return Grade.PASS, f"is for {block.name}, as one expects under the reserved domain {plan.domain}"
    aside = f"is set aside for {block.name} ({block.block}, {block.document})"
    return (Grade.FAIL if _unusable(block) else Grade.CAUTION), aside


def barred(subnet: Subnet, plan: Plan) -> str | None:
    """Why no host should be numbered from ``subnet``: it begins or ends in a block that no host may have; None otherwise."""
    verdicts = (judge(end, plan) for end in (first_host(subnet), last_host(subnet)))
    return next((aside for grade, aside in verdicts if grade is Grade.FAIL), None)


def _unusable(block: SpecialBlock) -> bool:
    """Whether no host of a live site can work with it.  A documentation address works, and is only no one's to use."""
    if block.purpose in (Purpose.DOCUMENTATION, Purpose.BENCHMARKING):
        return False
    return block.purpose is Purpose.MULTICAST or False in (block.source, block.destination, block.forwardable)
