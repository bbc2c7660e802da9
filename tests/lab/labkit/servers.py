"""Real servers from Debian's packages, configured for one node each: bind9, chrony, nginx, openssh-server."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path

from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric import ed25519

from labkit.daemons import Listening, Server
from labkit.needs import find
from labkit.zones import Zone
from verify.laboratory.authority import Credential

#: Where this package is, for the servers of our own that misbehave.
_MISCHIEF = Path(__file__).with_name("mischief.py")


def name_server(
    node: str, title: str, folder: Path, addresses: Sequence[str], zones: Sequence[Zone], *, port: int = 53, primary: str = ""
) -> Server:
    """A bind9 that speaks for some zones, from files or, with ``primary``, copied from that server.  No recursion.

    The zone files are ``folder``/``Zone.file``; it reads them again on ``reload``.
    """
    folder.mkdir(parents=True)
    for zone in zones:
        if not primary:
            (folder / zone.file).write_text(zone.text(), encoding="ascii")
    kind = f'type secondary; primaries {{ {primary}; }}; masterfile-format text;' if primary else "type primary;"
    four = " ".join(f"{address};" for address in addresses if ":" not in address)
    six = " ".join(f"{address};" for address in addresses if ":" in address)
    blocks = "".join(f'zone "{zone.origin}" {{ {kind} file "{zone.file}"; }};\n' for zone in zones)
    config = folder / "named.conf"
    config.write_text(f"""\
options {{
  directory "{folder}"; pid-file none; lock-file none; session-keyfile none; managed-keys-directory "{folder}";
  listen-on port {port} {{ {four or 'none;'} }}; listen-on-v6 port {port} {{ {six or 'none;'} }};
  recursion no; dnssec-validation no; empty-zones-enable no; notify no; allow-transfer {{ any; }}; querylog no;
  transfer-source {next((address for address in addresses if ":" not in address), "*")};
}};
controls {{ }};
{blocks}""", encoding="ascii")
    listens = tuple(Listening(transport, address, port) for transport in ("udp", "tcp") for address in addresses)
    return Server(node, title, (find("named"), "-g", "-n", "1", "-c", str(config)), listens,
                  says=tuple(f"'{zone.origin}/IN' from {primary}#53: Transfer status: success" for zone in zones) if primary
                  else ("all zones loaded",))


def time_server(
    node: str, title: str, folder: Path, addresses: Sequence[str], *, synchronised: bool = True, moved: str = "",
    follows: Sequence[str] = (), port: int = 123,
) -> Server:
    """A chronyd that never touches the machine's clock.

    It is synchronised to its own local clock (stratum 8), or follows other servers, or has no source at all.  chronyc can
    ask it through ``folder``/chronyd.sock.
    """
    folder.mkdir(parents=True, mode=0o700)
    lines = [*(f"bindaddress {address}" for address in addresses), f"port {port}", "allow all", "cmdport 0",
             f"bindcmdaddress {folder}/chronyd.sock", f"pidfile {folder}/chronyd.pid",
             *(f"server {source} iburst minpoll 0 maxpoll 2" for source in follows)]
    if synchronised and not follows:
        lines.append("local stratum 8")
    config = folder / "chrony.conf"
    config.write_text("\n".join([*lines, ""]), encoding="ascii")
    return Server(node, title, (find("chronyd"), "-x", "-d", "-u", "root", "-f", str(config)),
                  tuple(Listening("udp", address, port) for address in addresses), moved=moved)


def web_server(
    node: str, title: str, folder: Path, addresses: Sequence[str], credential: Credential, *, old_versions: bool = False,
    port: int = 443, moved: str = "",
) -> Server:
    """An nginx with one certificate.  ``old_versions`` lets it speak TLS 1.0 and 1.1 too, with the security that needs."""
    folder.mkdir(parents=True)
    (folder / "chain.pem").write_bytes(credential.chain_pem)
    (folder / "key.pem").write_bytes(credential.key_pem)
    versions = "TLSv1 TLSv1.1 TLSv1.2 TLSv1.3" if old_versions else "TLSv1.2 TLSv1.3"
    ciphers = 'ssl_ciphers "DEFAULT:@SECLEVEL=0";' if old_versions else ""
    scratch = "".join(f"  {kind}_temp_path {folder}/{kind};\n" for kind in ("client_body", "proxy", "fastcgi", "uwsgi", "scgi"))
    listen = " ".join(f"listen {_bracketed(address)}:{port} ssl;" for address in addresses)
    config = folder / "nginx.conf"
    config.write_text(f"""\
daemon off; master_process off; pid {folder}/nginx.pid; error_log stderr;
events {{ worker_connections 256; }}
http {{
  access_log off;
{scratch}  server {{
    {listen}
    ssl_certificate {folder}/chain.pem; ssl_certificate_key {folder}/key.pem; ssl_protocols {versions}; {ciphers}
    return 200 "ready\\n";
  }}
}}
""", encoding="ascii")
    return Server(node, title, (find("nginx"), "-p", str(folder), "-e", "stderr", "-c", str(config)),
                  tuple(Listening("tcp", address, port) for address in addresses), moved=moved,
                  environment=(("OPENSSL_CONF", "/dev/null"),) if old_versions else ())


def shell_server(
    node: str, title: str, folder: Path, addresses: Sequence[str], key: Path, *, options: Sequence[str] = (), moved: str = "",
) -> Server:
    """An OpenSSH server with one host key (``write_host_key``)."""
    Path("/run/sshd").mkdir(exist_ok=True)
    folder.mkdir(parents=True)
    config = folder / "sshd_config"
    config.write_text("\n".join([*(f"ListenAddress {address}" for address in addresses), "Port 22", f"HostKey {key}",
                                 "PidFile none", "UsePAM no", *options, ""]), encoding="ascii")
    return Server(node, title, (find("sshd"), "-D", "-e", "-f", str(config)),
                  tuple(Listening("tcp", address, 22) for address in addresses), moved=moved)


def write_host_key(path: Path) -> Path:
    """A fresh Ed25519 host key in OpenSSH's own form, for its owner's eyes only as sshd wants it."""
    path.write_bytes(ed25519.Ed25519PrivateKey.generate().private_bytes(
        serialization.Encoding.PEM, serialization.PrivateFormat.OpenSSH, serialization.NoEncryption()))
    path.chmod(0o600)
    return path


def mischief(node: str, title: str, kind: str, address: str, port: int) -> Server:
    """One of our own servers that misbehave (``labkit.mischief``)."""
    transport = "udp" if kind.startswith(("names-", "time-")) else "tcp"
    return Server(node, title, (sys.executable, str(_MISCHIEF), kind, address, str(port)),
                  (Listening(transport, address, port),))


def _bracketed(address: str) -> str:
    return f"[{address}]" if ":" in address else address
