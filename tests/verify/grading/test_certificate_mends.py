"""The lines that findings about certificates print to be pasted: they work, and they harm nothing."""

from __future__ import annotations

import pathlib
import subprocess
from collections.abc import Callable

from cryptography import x509
from cryptography.hazmat.primitives import serialization

from shared.plan import Plan
from verify.grading.certificate.sight import request_lines


def test_request_leaves_the_key_in_use_and_one_just_made_alone(tmp_path: pathlib.Path, make_plan: Callable[..., Plan]) -> None:
    """The lines are pasted on the host, where its key may lie, and again for the next finding: the request must still fit."""
    (tmp_path / "dome-a.key").write_text("in use")
    lines = "\n".join(request_lines(make_plan().hosts[0]))
    made = []
    for _ in range(2):
        subprocess.run(["sh", "-e", "-c", lines], cwd=tmp_path, check=True, capture_output=True, timeout=20)
        made.append((tmp_path / "dome-a.new.key").read_bytes())
    assert made[0] == made[1]
    assert (tmp_path / "dome-a.key").read_text() == "in use"
    request = x509.load_pem_x509_csr((tmp_path / "dome-a.new.csr").read_bytes())
    names = request.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
    assert names.get_values_for_type(x509.DNSName) == ["dome-a.obs.example.net"]
    key = serialization.load_pem_private_key(made[0], None)
    assert request.public_key() == key.public_key()
    assert (tmp_path / "dome-a.new.key").stat().st_mode & 0o077 == 0
