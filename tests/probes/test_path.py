"""Which sizes pass: every kind of path, made up, and found within the time-out."""

from __future__ import annotations

import itertools
from collections.abc import Callable

import pytest

from probes import fake
from probes.icmpwire import ECHO_REPLY, internet_checksum
from probes.path import HEADERS, RUNGS, TRIES, measure
from shared.evidence import Failure, FailureKind, PathMtuEvidence
from shared.questions import Pace, PathQuestion

HOST = {4: "192.0.2.11", 6: "2001:db8::11"}
ROUTER = "192.0.2.1"


def too_big(mtu: int | None, sender: str | None = ROUTER) -> Failure:
    return Failure(kind=FailureKind.TOO_BIG, phase="answer" if sender else "send", elapsed_seconds=0.001, sender=sender, mtu=mtu)


class Path(fake.FakeNetwork):
    """A path that carries ``mtu`` octets and ``says`` something, or nothing, to larger packets.

    ``loses`` are sizes with the number of their echoes that are lost first.
    """

    def __init__(self, mtu: int, says: Callable[[int], Failure | None] = lambda _size: None, *, version: int = 4,
                 loses: dict[int, int] | None = None, timeout_seconds: float = 6.0) -> None:
        super().__init__(pace=Pace(timeout_seconds=timeout_seconds))
        self.mtu, self.says, self.version, self.loses = mtu, says, version, dict(loses or {})
        self.sizes: list[int] = []

    async def exchange(self, service, address, port, request, **rest):  # type: ignore[no-untyped-def]
        from probes.seam import NotObserved

        assert service.name == "icmp-whole"
        size = len(request) + HEADERS[self.version] - 8
        self.sizes.append(size)
        objection = self.says(size) if size > self.mtu else None
        if objection is not None:
            raise NotObserved(objection)
        lost = self.loses.get(size, 0)
        self.loses[size] = lost - 1
        passes = size <= self.mtu and lost <= 0
        self._datagrams[(service.name, address, 0)] = lambda sent: [(0.01, reply(self.version, sent))] if passes else []
        return await super().exchange(service, address, port, request, **rest)


def reply(version: int, request: bytes) -> bytes:
    unsummed = bytes([ECHO_REPLY[version], 0, 0, 0]) + request[4:]
    return unsummed[:2] + internet_checksum(unsummed).to_bytes(2, "big") + unsummed[4:]


def walk(path: Path, planned: int = 1500) -> tuple[PathMtuEvidence, float]:
    async def timed() -> tuple[PathMtuEvidence, float]:
        return await measure(path, PathQuestion(HOST[path.version], planned)), path.monotonic()

    return fake.run(timed())


def passed(seen: PathMtuEvidence) -> set[int]:
    return {trial.size_octets for trial in seen.trials if trial.failure is None}


def lost(seen: PathMtuEvidence) -> set[int]:
    return {trial.size_octets for trial in seen.trials if trial.failure is not None}


@pytest.mark.parametrize("version", [4, 6])
@pytest.mark.parametrize("planned", [1500, 9000])
def test_the_planned_size_takes_two_packets(version: int, planned: int) -> None:
    """A small one and a full one; nothing else is sent where all is well."""
    path = Path(planned, version=version)
    seen, seconds = walk(path, planned)
    assert path.sizes == [56 + HEADERS[version], planned]
    assert (passed(seen), lost(seen), seen.failure) == ({56 + HEADERS[version], planned}, set(), None)
    assert seconds < 0.1


def test_one_octet_less_is_not_enough() -> None:
    """The boundary is the planned size itself."""
    assert 1500 in passed(walk(Path(1500))[0])
    assert 1500 in lost(walk(Path(1499))[0])


def test_the_size_that_a_router_names_is_tried() -> None:
    """RFC 1191 section 4: the router says 1400, and 1400 passes."""
    path = Path(1400, lambda _size: too_big(1400))
    seen, _seconds = walk(path)
    assert path.sizes == [84, 1500, 1400]
    assert passed(seen) == {84, 1400}
    assert seen.trials[1].failure == too_big(1400)


def test_one_smaller_link_behind_another_is_followed() -> None:
    """Each router names its own link."""
    path = Path(1300, lambda size: too_big(1400 if size > 1400 else 1300))
    assert passed(walk(path)[0]) == {84, 1300}


@pytest.mark.parametrize(("version", "said"), [(4, None), (4, 67), (4, 1500), (4, 1501), (6, 1279), (6, 0)])
def test_a_size_that_cannot_be_is_not_believed(version: int, said: int | None) -> None:
    """RFC 8201 section 4 for the least of IPv6; a router older than RFC 1191 names none; none is larger than what was sent."""
    path = Path(1400, lambda _size: too_big(said), version=version)
    seen, seconds = walk(path)
    assert 1400 in passed(seen)
    assert said not in {size for size in path.sizes if size != 1500}
    assert seconds <= 6.05


def test_a_word_that_does_not_hold_leads_to_the_search() -> None:
    """A router says 1450, and 1450 vanishes all the same."""
    path = Path(1400, lambda size: too_big(1450) if size > 1450 else None)
    seen, seconds = walk(path)
    assert 1400 in passed(seen)
    assert 1450 in lost(seen)
    assert seconds <= 6.05


@pytest.mark.parametrize("mtu", [1200, 1280, 1399, 1400, 1401, 1419, 1471, 1492, 1499, 576])
def test_a_black_hole_is_bounded_from_both_sides_in_time(mtu: int) -> None:
    """RFC 8899: base size, three probes, a second each; the two bounds stand a ninth of a rung apart at most."""
    seen, seconds = walk(Path(mtu))
    low, high = max(passed(seen)), min(size for size in lost(seen) if size > max(passed(seen)))
    assert low <= mtu < high
    rungs = [84, *RUNGS]
    step = next(upper - lower for lower, upper in itertools.pairwise(rungs) if lower <= mtu < upper)
    assert high - low <= step // 9 + 1
    assert seconds <= 6.05
    assert next(trial for trial in seen.trials if trial.size_octets == 1500).tries > TRIES


def test_a_lost_packet_is_not_a_black_hole() -> None:
    """Losses of the full size on a path that carries it: it is tried for as long as the search goes on."""
    for losses in (2, 3, 4, 5):
        assert 1500 in passed(walk(Path(1500, loses={1500: losses}))[0])
    assert 1500 in passed(walk(Path(1500, loses={84: 2}))[0])


def test_the_runners_own_interface_is_told_from_a_router() -> None:
    """The kernel refuses to send; what it would send is tried."""
    path = Path(1500, lambda _size: too_big(1500, None))
    seen, _seconds = walk(path, 9000)
    assert path.sizes == [84, 9000, 1500]
    assert seen.trials[1].failure == too_big(1500, None)


def test_a_host_that_answers_no_small_echo_is_not_asked_for_a_large_one() -> None:
    """Three small ones, a second each, and no size is known."""
    path = Path(0)
    seen, seconds = walk(path)
    assert path.sizes == [84] * TRIES
    assert seen.failure is not None
    assert (seen.failure.kind, seconds) == (FailureKind.NO_ANSWER, 3.0)


@pytest.mark.parametrize("timeout", [0.1, 1.0, 2.5, 4.0])
def test_a_short_time_out_is_kept(timeout: float) -> None:
    """Never longer than the time-out, or one wait where that is longer; and always something is known."""
    seen, seconds = walk(Path(1400, timeout_seconds=timeout))
    assert seconds <= max(timeout, 1.0) + 0.06
    assert 84 in passed(seen)


def test_without_any_icmp_socket_the_reason_is_kept() -> None:
    """And nothing is sent."""
    why = Failure(kind=FailureKind.NO_PRIVILEGE, phase="open", elapsed_seconds=0.0)
    network = fake.FakeNetwork(echo=why)
    seen = fake.run(measure(network, PathQuestion(HOST[4], 1500)))
    assert (seen.failure, seen.trials, network.sent) == (why, (), [])


@pytest.mark.parametrize("version", [4, 6])
def test_a_plan_of_less_than_a_small_packet_is_satisfied_by_it(version: int) -> None:
    """Odd plans do no harm."""
    seen, _seconds = walk(Path(1500, version=version), 68)
    assert passed(seen) == {56 + HEADERS[version]}


class PacedPath(Path):
    """A path whose every echo waits twenty seconds for its turn."""

    async def exchange(self, *where, **rest):  # type: ignore[no-untyped-def]
        await self.sleep(20.0)
        return await super().exchange(*where, **rest)


def test_our_own_pace_costs_the_path_no_trial() -> None:
    """Sizes are tried, and searched for, as at any other pace."""
    for mtu in (1500, 1400):
        hasty, _ = walk(Path(mtu))
        paced, _ = walk(PacedPath(mtu))
        assert {(trial.size_octets, trial.tries, trial.failure) for trial in paced.trials} == {
            (trial.size_octets, trial.tries, trial.failure) for trial in hasty.trials}
