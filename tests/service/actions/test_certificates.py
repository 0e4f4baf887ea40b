"""A certificate of one's own for the pages in one's network."""

import json
import os
import re
import socket
import ssl
import subprocess
import sys
import time
import urllib.error
import urllib.request
from datetime import UTC, datetime, timedelta

import pytest
from cryptography import x509

from service.actions.certificates import fingerprint_of, identities, own_certificate
from service.errors import StoreError

MOST = timedelta(days=825)  # Apple, HT210176, for authorities that users add (from memory)


def test_it_is_for_the_names_given_signed_by_an_authority_that_stays(tmp_path):
    made = own_certificate(tmp_path, ["192.168.1.5", "coop.local", "[::1]"])
    authority = made.authority.read_bytes()
    server = x509.load_pem_x509_certificate(made.chain.read_bytes())
    names = server.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
    assert {str(n.value) for n in names} == {"192.168.1.5", "coop.local", "::1"}
    assert server.not_valid_after_utc - server.not_valid_before_utc < MOST
    assert server.not_valid_after_utc > datetime.now(UTC) + timedelta(days=300)
    server.verify_directly_issued_by(x509.load_pem_x509_certificate(authority))
    again = own_certificate(tmp_path, ["10.0.0.7"])
    assert again.authority.read_bytes() == authority
    assert re.fullmatch(r"([0-9A-F]{2}:){31}[0-9A-F]{2}", fingerprint_of(made.authority))
    for file in (tmp_path / "tls").iterdir():
        assert file.stat().st_mode & 0o077 == 0


def test_names_that_no_certificate_can_have_are_left_out():
    assert identities(["a_b", "näher.local", "fe80::1%eth0", "x.y"]) == ["fe80::1", "x.y"]


def test_a_damaged_authority_is_told(tmp_path):
    own_certificate(tmp_path, ["x.y"])
    (tmp_path / "tls" / "authority.key").write_text("not a key")
    with pytest.raises(StoreError):
        own_certificate(tmp_path, ["x.y"])


@pytest.mark.slow
def test_pages_are_served_over_https_to_who_trusts_the_authority(combwright, tmp_path, monkeypatch):
    home = tmp_path / "home"
    monkeypatch.setenv("COMBWRIGHT_HOME", str(home))
    monkeypatch.setenv("COMBWRIGHT_PASSWORD", "feather dust and grit")
    assert combwright("access", "owner", "Ann").code == 0
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    command = [sys.executable, "-m", "service.cli", "serve", "--lan", "--port", str(port)]
    with (tmp_path / "said").open("w+") as said:
        server = subprocess.Popen(command, stdout=said, env=os.environ | {"COLUMNS": "300"})
        try:
            for _ in range(200):
                if (home / "tls" / "server.pem").exists():
                    break
                time.sleep(0.1)
            trusting = ssl.create_default_context(cafile=str(home / "tls" / "authority.pem"))
            there = f"https://localhost:{port}"

            def asked(path, context=trusting):
                for _ in range(600):
                    try:
                        return urllib.request.urlopen(f"{there}{path}", context=context).read()
                    except urllib.error.URLError as error:
                        if isinstance(error.reason, ssl.SSLError):
                            raise
                        time.sleep(0.1)
                raise AssertionError("no answer")

            assert json.loads(asked("/health")) == {"status": "ok"}
            with pytest.raises(urllib.error.URLError, match="CERTIFICATE_VERIFY_FAILED"):
                asked("/health", ssl.create_default_context())
            told = (tmp_path / "said").read_text()
            assert fingerprint_of(home / "tls" / "authority.pem") in told
            assert fingerprint_of(home / "tls" / "authority.pem") in asked("/trust").decode()
            assert asked("/trust/authority.crt").startswith(b"\x30")  # DER
            token = re.search(r"/join/(\S+)", told).group(1)
            assert b"<form" in asked(f"/join/{token}")
        finally:
            server.terminate()
            server.wait(30)
