"""Names in certificates, by RFC 9525."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from verify.grading.certificate.name import matches


@pytest.mark.parametrize(("name", "reference"), [
    ("WWW.BigCompany.Example", "www.bigcompany.example"),  # RFC 9525 section 6.3
    ("www.example.com", "www.example.com"),
    ("*.example.com", "foo.example.com"),  # RFC 6125 section 6.4.3 rule 2, the same under RFC 9525
    ("*.a.com", "foo.a.com"),  # RFC 2818 section 3.1, as RFC 9525 keeps it
    ("www.example.com", "WWW.example.com."),
    ("xn--gtter-jua.example.com", "xn--gtter-jua.example.com"),
    ("*.example.com", "xn--gtter-jua.example.com"),  # RFC 9525 section 6.3: an A-label is a label like any other
    ("*.Example.com", "XN--gtter-jua.example.com."),
    ("*.xn--gtter-jua.example", "www.xn--gtter-jua.example"),
])
def test_names_that_cover(name: str, reference: str) -> None:
    """Label by label, case ignored; a wildcard is the whole left-most label and stands for one."""
    assert matches(name, reference)


@pytest.mark.parametrize(("name", "reference"), [
    ("web.bigcompany.example", "www.bigcompany.example"),  # RFC 9525 section 6.1.2
    ("*.example.com", "bar.foo.example.com"),  # RFC 6125 section 6.4.3 rule 2
    ("*.example.com", "example.com"),
    ("bar.*.example.net", "bar.foo.example.net"),  # rule 1
    ("baz*.example.net", "baz1.example.net"),  # RFC 9525 section 6.3: RFC 6125 would allow these three
    ("*baz.example.net", "foobaz.example.net"),
    ("b*z.example.net", "buzz.example.net"),
    ("f*.com", "foo.com"),
    ("fo*.example.com", "foo.example.com"),  # RFC 6125 section 7.2, the problem shapes
    ("f*o.example.com", "foo.example.com"),
    ("*oo.example.com", "foo.example.com"),
    ("www.*.example.com", "www.foo.example.com"),
    ("f*b*r.example.com", "foobar.example.com"),
    ("*.*.example.com", "a.b.example.com"),
    ("*.com", "example.com"),
    ("*", "localhost"),
    ("*.", "localhost."),
    ("foo.*", "foo.com"),
    ("*.example.", "foo.example"),
    ("x*.example.com", "xn--gtter-jua.example.com"),
    ("xn--*.example.com", "xn--gtter-jua.example.com"),
    ("*.example.com", "xn--gtter-jua.foo.example.com"),
    ("*.example.com", "xn--gtter-jua.example.org"),
    ("*.example.com", ".example.com"),
    ("*.com", "xn--gtter-jua.com"),
    ("*..example.com", "xn--gtter-jua..example.com"),
    ("www.example.com.", "www.example.com"),
    (" www.example.com", "www.example.com"),
    ("www.example.com\x00.evil.example", "www.example.com"),
    ("www.example.com ", "www.example.com"),
    ("", "www.example.com"),
    (".", "www.example.com"),
    ("192.0.2.11", "192.0.2.11"),  # RFC 9525 section 6.4: an address is never matched with a DNS name
    ("*.0.2.11", "192.0.2.11"),
    ("ｗｗｗ.example.com", "www.example.com"),
    ("www.example.com…", "www.example.com"),
])
def test_names_that_do_not_cover(name: str, reference: str) -> None:
    """Everything else covers nothing; in case of doubt a client would refuse."""
    assert not matches(name, reference)


@given(st.text(max_size=60) | st.from_regex(r"[*a-z0-9._-]{0,40}", fullmatch=True), st.text(max_size=40))
def test_matching_is_total(name: str, reference: str) -> None:
    """Odd names on either side are a no, never an exception."""
    assert matches(name, reference) in (True, False)
