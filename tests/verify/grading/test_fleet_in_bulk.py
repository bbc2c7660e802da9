"""``certificate.peers`` over many clocks: none that could refuse a certificate is left out of the closer look."""

from __future__ import annotations

import datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from shared.quantities import Interval
from verify.grading.clock import witnesses
from verify.grading.clock.witnesses import Account
from verify.grading.fleet import _LOOKED_AT, _Clocks, _shifted

BEGAN = datetime.datetime(2026, 11, 2, 9, tzinfo=datetime.UTC)


def stamp(seconds: float) -> str:
    return (BEGAN + datetime.timedelta(seconds=seconds)).isoformat().replace("+00:00", "Z")


@st.composite
def accounts(draw: st.DrawFn) -> Account:
    """A host's lead: mostly next to nothing, now and then days, known to this or that."""
    lo = draw(st.sampled_from((0.0, -0.5, 30.0, -86400.0, 5e6)))
    interval = Interval(lo, lo + draw(st.sampled_from((0.0, 1e-6, 1.0, 90.0))))
    at = stamp(draw(st.integers(0, 600)))
    heard = witnesses.Testimony(name="NTP", interval=interval, at=at, rate=draw(st.sampled_from((15e-6, 500e-6))))
    return Account(heard=(heard,), unheard=(), interval=interval, at=at)


@given(st.lists(accounts(), max_size=8), st.lists(st.integers(0, 600), min_size=1, max_size=4),
       st.sampled_from((-1e7, -60.0, -1.0, 0.0, 1.0, 29.0)), st.sampled_from((0.0, 1.0, 31.0, 60.0, 1e7)))
def test_every_clock_that_may_refuse_is_looked_at(leads: list[Account], moments: list[int], early: float, late: float) -> None:
    """At each moment that certificates were seen at, and with dates that lie just so: as by asking every clock."""
    known = {f"h{index}": lead for index, lead in enumerate(leads)}
    clocks = _Clocks(known, [stamp(moment) for moment in moments])
    for moment in moments:
        at = stamp(moment)
        now = BEGAN.timestamp() + moment
        begin, end = now + early, now + max(early, late)
        every = {name: _shifted(at, lead.lead_at(at)) for name, lead in known.items()}
        may_refuse = {name: view for name, view in every.items() if view.lo < begin or view.hi > end}
        doubtful, more = clocks.doubtful("somebody else", at, begin, end)
        assert more == 0
        assert may_refuse.items() <= doubtful.items()
        assert doubtful.items() <= every.items()
        assert list(doubtful) == [name for name in known if name in doubtful]
    assert clocks.count_beside("h0") == max(0, len(known) - 1)
    assert clocks.count_beside("somebody else") == len(known)


def test_a_sound_fleet_needs_no_closer_look() -> None:
    """That is what it is for: with clocks that are right nothing is compared one by one."""
    right = Account(heard=(witnesses.Testimony(name="NTP", interval=Interval(0.0, 0.001), at=stamp(0)),), unheard=(),
                    interval=Interval(0.0, 0.001), at=stamp(0))
    clocks = _Clocks({f"h{index}": right for index in range(100)}, [stamp(0), stamp(5)])
    now = BEGAN.timestamp()
    assert clocks.doubtful("h0", stamp(5), now - 86400, now + 86400) == ({}, 0)


@pytest.mark.parametrize(("lead", "begin", "end"), [(-4e8, -86400, 86400), (4e8, -86400, 86400), (0.0, 3.0, 86400)])
def test_a_site_in_the_wrong_year_is_not_compared_by_pairs(lead: float, begin: float, end: float) -> None:
    """The farthest off stand for the rest, which are counted; those that are off for sure come before those that may be."""
    def account(lo: float, hi: float) -> Account:
        heard = witnesses.Testimony(name="NTP", interval=Interval(lo, hi), at=stamp(0))
        return Account(heard=(heard,), unheard=(), interval=Interval(lo, hi), at=stamp(0))

    known = {f"h{index}": account(lead - 100 - index, lead + 100) for index in range(1000)}
    sure = "h1000" if not lead else "h500"
    known[sure] = account(-5.0, -4.0) if not lead else account(2 * lead, 2 * lead)
    now = BEGAN.timestamp()
    views, more = _Clocks(known, [stamp(0), stamp(5)]).doubtful("h7", stamp(5), now + begin, now + end)
    assert sure in views
    assert "h7" not in views
    assert len(views) <= 4 * (_LOOKED_AT + 1)
    assert len(known) - 1 - len(views) <= more
