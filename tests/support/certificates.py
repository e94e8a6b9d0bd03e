"""Certificates of a made-up authority, for brokers and clients on this machine."""

from __future__ import annotations

import ipaddress
from datetime import UTC, datetime, timedelta
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID


class Authority:
    """Signs certificates; its own is the file `ca`."""

    def __init__(self, folder: Path, name: str = "test authority") -> None:
        self._folder, self._name = folder, _name(name)
        self._key = ec.generate_private_key(ec.SECP256R1())
        told = _certificate(self._name, self._name, self._key.public_key(), days=3650)
        usage = x509.KeyUsage(
            digital_signature=True,
            content_commitment=False,
            key_encipherment=False,
            data_encipherment=False,
            key_agreement=False,
            key_cert_sign=True,
            crl_sign=True,
            encipher_only=False,
            decipher_only=False,
        )
        told = told.add_extension(x509.BasicConstraints(ca=True, path_length=None), critical=True)
        told = told.add_extension(usage, critical=True)
        self.ca = folder / f"{name.replace(' ', '-')}.pem"
        self.ca.write_bytes(told.sign(self._key, hashes.SHA256()).public_bytes(serialization.Encoding.PEM))

    def sign(self, name: str, *, days: float = 365) -> tuple[Path, Path]:
        """Return a certificate for 127.0.0.1 that holds for so many days, and its key."""
        key = ec.generate_private_key(ec.SECP256R1())
        told = _certificate(_name(name), self._name, key.public_key(), days=days)
        here = x509.SubjectAlternativeName([x509.IPAddress(ipaddress.ip_address("127.0.0.1"))])
        signed = told.add_extension(here, critical=False).sign(self._key, hashes.SHA256())
        certificate, key_file = self._folder / f"{name}.crt", self._folder / f"{name}.key"
        certificate.write_bytes(signed.public_bytes(serialization.Encoding.PEM))
        form = serialization.PrivateFormat.PKCS8
        key_file.write_bytes(key.private_bytes(serialization.Encoding.PEM, form, serialization.NoEncryption()))
        key_file.chmod(0o600)
        return certificate, key_file


def _name(told: str) -> x509.Name:
    return x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, told)])


def _certificate(
    subject: x509.Name, issuer: x509.Name, key: ec.EllipticCurvePublicKey, *, days: float
) -> x509.CertificateBuilder:
    now = datetime.now(UTC)
    return (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(issuer)
        .public_key(key)
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - timedelta(days=1))
        .not_valid_after(now + timedelta(days=days))
    )
