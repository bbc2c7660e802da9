"""Signs and verifies with ssh-keygen, in its own signature format (PROTOCOL.sshsig of OpenSSH).

The key never passes through this program: ssh-keygen reads it, or asks the agent that holds it.  A signature says who, by a
file of allowed signers (ssh-keygen(1), ALLOWED SIGNERS); nothing is fetched.
"""

from __future__ import annotations

import datetime
import shutil
import subprocess
import tempfile
from pathlib import Path

import msgspec

from verify.errors import UsageError
from verify.files import is_there

#: What a signature is for, so that one made for mail or a commit is no signature of a bundle.
NAMESPACE = "seatrial"
#: The longest ssh-keygen may take: a person types a passphrase or touches a key meanwhile.  Ours.
_PATIENCE_SECONDS = 180.0
#: The first line of the armour (PROTOCOL.sshsig, section 2), and the most octets of a signature that are looked at.
_ARMOUR, _LONGEST = b"-----BEGIN SSH SIGNATURE-----", 64 << 10

#: Times before this are no claim of any run.
_EARLIEST = datetime.datetime(2000, 1, 1, tzinfo=datetime.UTC)


class SignatureError(Exception):
    """The signature does not hold, or nobody allowed made it.  One sentence."""


class Signer(msgspec.Struct, frozen=True):
    """Who made a signature, as the file of allowed signers names them, and with which key.

    ``allowed_on`` is the day by which the file was read; ``claimed`` says that it is not today, when it allows the key no more
    or not yet, but the day that the bundle names itself.
    """

    principal: str
    key: str
    allowed_on: datetime.date
    claimed: bool = False


def sign(content: bytes, key: Path) -> bytes:
    """A signature of ``content`` with the key in a file, private or public (then by the agent).  Raises UsageError."""
    if not (is_there(key) and key.is_file()):
        raise UsageError(f'--sign "{key}": there is no such key file')
    done = _run(["-Y", "sign", "-n", NAMESPACE, "-f", str(key)], content, ask=True)
    if done.returncode != 0 or not done.stdout.startswith(_ARMOUR):
        raise UsageError(f'--sign "{key}": ssh-keygen could not sign: {_said(done)}')
    return done.stdout


def verify(content: bytes, signature: bytes, signers: Path, claimed: datetime.datetime | None = None) -> Signer:
    """Who signed ``content``, by a file of allowed signers as it is to be read now, or else at the time that is ``claimed``.

    A signature has no time of its own (PROTOCOL.sshsig), and a line of the file may allow its key for a while only
    (valid-after, valid-before).  Raises SignatureError where the signature does not hold or nobody in the file made it,
    UsageError where there is no file.
    """
    if not (is_there(signers) and signers.is_file()):
        raise UsageError(f'--signers "{signers}": there is no such file; one line a signer: NAME KEY-TYPE KEY')
    if len(signature) > _LONGEST or not signature.startswith(_ARMOUR):
        raise SignatureError("what stands in the place of the signature is none")
    now = datetime.datetime.now(datetime.UTC)
    try:
        return _verify(content, signature, signers, now, claimed=False)
    except SignatureError:
        if claimed is None or not _EARLIEST <= claimed < now:
            raise
        try:
            return _verify(content, signature, signers, claimed, claimed=True)
        except SignatureError:
            pass  # what is wrong today is what to say
        raise


def _verify(content: bytes, signature: bytes, signers: Path, at: datetime.datetime, *, claimed: bool) -> Signer:
    # Without a zone and so in local time, as the file's own times are read; releases before 9.1 know no other.
    when = [f"-Overify-time={at.astimezone():%Y%m%d%H%M%S}"] if claimed else []
    with tempfile.TemporaryDirectory(prefix="seatrial-") as folder:
        place = Path(folder) / "signature"
        place.write_bytes(signature)
        found = _run(["-Y", "find-principals", *when, "-s", str(place), "-f", str(signers)], b"")
        names = found.stdout.decode("utf-8", "replace").splitlines()
        if found.returncode != 0 or not names:
            raise SignatureError(f"nobody in {signers} made this signature: {_said(found)}")
        principal = names[0].split(",")[0]
        done = _run(["-Y", "verify", *when, "-n", NAMESPACE, "-f", str(signers), "-I", principal, "-s", str(place)], content)
    if done.returncode != 0:
        raise SignatureError(f"the signature does not hold: {_said(done)}")
    said = done.stdout.decode("utf-8", "replace")
    return Signer(principal=principal, key=said.rpartition(" with ")[2].strip(), allowed_on=at.date(), claimed=claimed)


def _run(arguments: list[str], content: bytes, *, ask: bool = False) -> subprocess.CompletedProcess[bytes]:
    """Run ssh-keygen; only where it may ``ask`` does it keep the terminal.  Raises UsageError where it is not there."""
    program = shutil.which("ssh-keygen")
    if program is None:
        raise UsageError("signatures need ssh-keygen, of the Debian package openssh-client")
    try:
        return subprocess.run([program, *arguments], input=content, capture_output=True, check=False,  # noqa: S603 -- our own words
                              timeout=_PATIENCE_SECONDS, start_new_session=not ask)
    except subprocess.TimeoutExpired:
        raise UsageError(f"ssh-keygen gave no answer for {_PATIENCE_SECONDS:.0f} s") from None
    except OSError as error:
        raise UsageError(f"ssh-keygen cannot be run: {error.strerror}") from error


def _said(done: subprocess.CompletedProcess[bytes]) -> str:
    """What ssh-keygen said last; it ends with the reason, unless that is a key out of its time, which it says before."""
    lines = (done.stderr or done.stdout).decode("utf-8", "replace").strip().splitlines()
    timed = [line for line in lines if "key has expired" in line or "key is not yet valid" in line]
    return (timed or lines)[-1][:300] if lines else f"it ended with status {done.returncode}"
