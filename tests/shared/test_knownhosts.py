"""Known host keys: whose they are, and what is to be thought of a key that a host shows."""

from __future__ import annotations

import base64

import pytest
from hypothesis import given
from hypothesis import strategies as st

from shared.knownhosts import KnownHosts, entry_name, judge, keys_of, parse


def blob(key_type: str, rest: bytes = b"one") -> bytes:
    named = key_type.encode()
    return len(named).to_bytes(4, "big") + named + rest


def line(patterns: str, key_type: str = "ssh-ed25519", rest: bytes = b"one") -> str:
    return f"{patterns} {key_type} {base64.b64encode(blob(key_type, rest)).decode()} a comment\n"


NAMES = ("dome-a.obs.example.net", "dome-a", "192.0.2.11")


@pytest.mark.parametrize(("patterns", "name", "port", "known"), [
    ("dome-a.obs.example.net", "dome-a.obs.example.net", 22, True),
    ("DOME-A.obs.example.net", "dome-a.OBS.example.net", 22, True),
    ("dome-b.obs.example.net,192.0.2.11", "192.0.2.11", 22, True),
    ("*.obs.example.net", "dome-a.obs.example.net", 22, True),
    ("dome-?.obs.example.net", "dome-a.obs.example.net", 22, True),
    ("dome-?.obs.example.net", "dome-ab.obs.example.net", 22, False),
    ("*.obs.example.net,!dome-a.obs.example.net", "dome-a.obs.example.net", 22, False),
    ("!dome-b*,*", "dome-a", 22, True),
    ("dome-a", "dome-a.obs.example.net", 22, False),
    ("dome-a.obs.example.net", "xdome-a.obs.example.net", 22, False),
    # A port other than 22 is part of the name (sshd(8)); without it the key is another server's.
    ("[dome-a]:2222", "dome-a", 2222, True),
    ("[dome-a]:2222", "dome-a", 22, False),
    ("dome-a", "dome-a", 2222, False),
    ("[dome-?]:22*", "dome-a", 2222, True),
    # One address in several forms (RFC 4291 section 2.2).
    ("2001:DB8:0:0::11", "2001:db8::11", 22, True),
    ("dome-b,[2001:0DB8::0011]:2222", "2001:db8::11", 2222, True),
    ("*,!2001:DB8:0::11", "2001:db8::11", 22, False),
    ("2001:DB8:0:0::12", "2001:db8::11", 22, False),
    # ssh-keygen -H made this of "dome-a.obs.example.net".
    ("|1|c2FsdHNhbHRzYWx0c2FsdHNhbHQ=|{digest}", "dome-a.obs.example.net", 22, True),
    ("|1|c2FsdHNhbHRzYWx0c2FsdHNhbHQ=|{digest}", "dome-b.obs.example.net", 22, False),
    ("|2|c2FsdHNhbHRzYWx0c2FsdHNhbHQ=|{digest}", "dome-a.obs.example.net", 22, False),
    ("|1|no base64|{digest}", "dome-a.obs.example.net", 22, False),
])
def test_whom_a_line_speaks_of(patterns: str, name: str, port: int, known: bool) -> None:
    """The patterns of sshd(8): lists, wildcards, exceptions, ports, hashed names."""
    import hashlib
    import hmac

    digest = base64.b64encode(hmac.new(b"saltsaltsaltsaltsalt", b"dome-a.obs.example.net", hashlib.sha1).digest()).decode()
    found = keys_of(parse(line(patterns.format(digest=digest))), (name,), port)
    assert bool(found) is known


def test_a_host_is_found_by_its_name_among_thousands(monkeypatch: pytest.MonkeyPatch) -> None:
    """Only lines that name it, and those whose patterns may mean any host, are looked at; their order is that of the file."""
    from shared import knownhosts

    names = [f"dome-{number}.obs.example.net" for number in range(2000)]
    own = "".join(line(f"{name},[{name}]:2222", rest=name.encode()) for name in names)
    known = parse(line("*.obs.example.net", rest=b"any") + own + line(names[7], rest=b"again"))
    looked_at = []
    real = knownhosts._speaks_of
    monkeypatch.setattr(knownhosts, "_speaks_of", lambda *told: looked_at.append(told) or real(*told))
    keys = keys_of(known, (names[7],), 22)
    assert [key.blob for key in keys] == [blob("ssh-ed25519", rest) for rest in (b"any", names[7].encode(), b"again")]
    assert len(looked_at) == 3
    assert known.hosts is None
    assert parse(line(f"{names[0]},[{names[0]}]:2222,192.0.2.11")).hosts == (names[0], "192.0.2.11")


def test_a_file_that_ssh_keygen_hashed_is_understood(tmp_path) -> None:
    """The independent maker: OpenSSH's own ssh-keygen -H."""
    import subprocess

    subprocess.run(["ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-f", tmp_path / "k"], check=True)
    public = (tmp_path / "k.pub").read_text()
    (tmp_path / "known").write_text(f"dome-a.obs.example.net,192.0.2.11 {public}[dome-a]:2222 {public}")
    subprocess.run(["ssh-keygen", "-q", "-H", "-f", tmp_path / "known"], check=True, capture_output=True)
    text = (tmp_path / "known").read_text()
    assert "dome" not in text
    key_type, encoded, *_ = public.split()
    for name, port in (("dome-a.obs.example.net", 22), ("192.0.2.11", 22), ("dome-a", 2222)):
        (key,) = keys_of(parse(text), (name,), port)
        assert (key.key_type, key.blob) == (key_type, base64.b64decode(encoded))
    assert keys_of(parse(text), ("dome-b",), 22) == ()


@pytest.mark.parametrize(("text", "shown", "standing"), [
    (line("dome-a"), blob("ssh-ed25519"), "known"),
    ("", blob("ssh-ed25519"), "unknown"),
    (line("dome-b"), blob("ssh-ed25519"), "unknown"),
    (line("dome-a", rest=b"two"), blob("ssh-ed25519"), "changed"),
    # Another kind of key is known: this one was never vouched for.
    (line("dome-a", "ssh-rsa"), blob("ssh-ed25519"), "unknown"),
    # Two keys of a kind are known, as while keys are being changed.
    (line("dome-a", rest=b"two") + line("dome-a"), blob("ssh-ed25519"), "known"),
    # The name has another key although the address has this one: one of the two is about another machine.
    (line("dome-a", rest=b"two") + line("192.0.2.11"), blob("ssh-ed25519"), "changed"),
    ("@revoked " + line("*"), blob("ssh-ed25519"), "revoked"),
    (line("dome-a") + "@revoked " + line("dome-a"), blob("ssh-ed25519"), "revoked"),
    ("@revoked " + line("dome-a", rest=b"two") + line("dome-a"), blob("ssh-ed25519"), "known"),
    ("@revoked " + line("dome-a", rest=b"two"), blob("ssh-ed25519"), "unknown"),
    # An authority vouches for certificates, not for keys.
    ("@cert-authority " + line("dome-a"), blob("ssh-ed25519"), "unknown"),
])
def test_what_is_to_be_thought_of_a_key(text: str, shown: bytes, standing: str) -> None:
    """Only "known" lets anybody log in."""
    assert judge(keys_of(parse(text), NAMES, 22), "ssh-ed25519", shown) == standing


@pytest.mark.parametrize("bad", ["dome-a", "dome-a ssh-ed25519", "dome-a ssh-ed25519 ####", "dome-a ssh-rsa AAAA",
                                 "@other dome-a ssh-ed25519 AAAA", "dome-a ssh-ed25519\u00e9 AAAA",
                                 # The word and the octets name two kinds of key.
                                 line("dome-a").replace("ssh-ed25519", "ssh-rsa")])
def test_a_line_that_cannot_be_read_is_noted_and_never_in_the_way(bad: str) -> None:
    """The others count."""
    known = parse(f"# a comment\n\n{bad.strip()}\n{line('dome-b')}")
    assert known.unreadable == (3,)
    assert [one.patterns for one in known.lines] == ["dome-b"]


def test_lines_of_authorities_are_counted_and_not_used() -> None:
    known = parse("@cert-authority " + line("*.obs.example.net"))
    assert known == KnownHosts(lines=(), authorities=(1,))


@given(st.text(), st.text(), st.integers(1, 65535))
def test_no_text_makes_the_reader_raise(text: str, name: str, port: int) -> None:
    keys_of(parse(text), (name,), port)


def test_an_entry_is_written_as_ssh_wants_it() -> None:
    assert entry_name("dome-a", 22) == "dome-a"
    assert entry_name("dome-a", 2222) == "[dome-a]:2222"
