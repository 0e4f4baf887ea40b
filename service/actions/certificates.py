"""A certificate for the pages in one's own network, where browsers want https for camera and field.

The installation is its own authority, made once; a phone that trusts it trusts every certificate
that it gives itself from then on.
"""

from __future__ import annotations

import hashlib
import ipaddress
import ssl
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

from service.errors import StoreError
from service.records.photo_files import write_synced

# Phones take none that is longer valid: 825 days (Apple, HT210176, from memory); made anew at each
# start.
VALID = timedelta(days=390)


@dataclass(frozen=True)
class Certificate:
    """Files of a certificate, its key, and the authority that stands behind it."""

    chain: Path
    key: Path
    authority: Path


def own_certificate(home: Path, hosts: Sequence[str]) -> Certificate:
    """Return a certificate for names and addresses, the authority made if there is none yet.

    Raises StoreError if it can't be kept.
    """
    import trustme

    folder = home / "tls"
    found = Certificate(folder / "server.pem", folder / "server.key", folder / "authority.pem")
    secret = folder / "authority.key"
    try:
        folder.mkdir(parents=True, exist_ok=True, mode=0o700)
        if not (found.authority.exists() and secret.exists()):
            authority = trustme.CA(organization_name="Combwright", organization_unit_name=home.name)
            write_synced(secret, authority.private_key_pem.bytes())
            write_synced(found.authority, authority.cert_pem.bytes())
        authority = trustme.CA.from_pem(found.authority.read_bytes(), secret.read_bytes())
        now = datetime.now(UTC).replace(tzinfo=None)
        issued = authority.issue_cert(
            *identities(hosts), not_before=now - timedelta(days=1), not_after=now + VALID
        )
        write_synced(found.key, issued.private_key_pem.bytes())
        write_synced(found.chain, b"".join(part.bytes() for part in issued.cert_chain_pems))
    except (OSError, ValueError) as error:
        raise StoreError("home_unwritable", reason=str(error)) from None
    return found


def identities(hosts: Sequence[str]) -> list[str]:
    """Names and addresses that a certificate can be for, each once.

    >>> identities(["192.168.1.5", "[::1]", "::1", "a_b", "coop.local"])
    ['192.168.1.5', '::1', 'coop.local']
    """
    found = []
    for host in hosts:
        bare = host.strip("[]").partition("%")[0]
        try:
            found.append(str(ipaddress.ip_address(bare)))
        except ValueError:
            if all(part.replace("-", "").isalnum() for part in bare.split(".")) and bare.isascii():
                found.append(bare)
    return list(dict.fromkeys(found))


def der_of(certificate: Path) -> bytes:
    """Return a certificate as phones take it (DER)."""
    return ssl.PEM_cert_to_DER_cert(certificate.read_text(encoding="ascii"))


def fingerprint_of(certificate: Path) -> str:
    """Return a certificate's SHA-256 as phones show it."""
    digest = hashlib.sha256(der_of(certificate)).hexdigest().upper()
    return ":".join(digest[k : k + 2] for k in range(0, len(digest), 2))
