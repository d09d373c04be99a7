"""Certificates for tests: an authority, and server certificates for the loopback."""

from __future__ import annotations

import datetime as dt
import ipaddress
import ssl
from dataclasses import dataclass
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec, rsa
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

Key = ec.EllipticCurvePrivateKey | rsa.RSAPrivateKey


@dataclass(frozen=True)
class Pair:
    """Certificate and key as files in PEM."""

    certificate: Path
    key: Path


def _name(text: str) -> x509.Name:
    return x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, text)])


def _builder(name: str, issuer: x509.Name, key: Key, days: float) -> x509.CertificateBuilder:
    now = dt.datetime.now(dt.UTC)
    return (
        x509.CertificateBuilder()
        .subject_name(_name(name))
        .issuer_name(issuer)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - dt.timedelta(hours=1))
        .not_valid_after(now + dt.timedelta(days=days))
    )


def _store(folder: Path, stem: str, certificate: x509.Certificate, key: Key) -> Pair:
    pair = Pair(folder / f"{stem}.pem", folder / f"{stem}.key")
    pair.certificate.write_bytes(certificate.public_bytes(serialization.Encoding.PEM))
    pair.key.write_bytes(
        key.private_bytes(serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption())
    )
    pair.key.chmod(0o600)
    return pair


class Authority:
    """A certificate authority in a folder."""

    def __init__(self, folder: Path, stem: str = "authority") -> None:
        self._folder = folder
        self._key = ec.generate_private_key(ec.SECP256R1())
        self._name = _name(stem)
        builder = _builder(stem, self._name, self._key, 10).add_extension(x509.BasicConstraints(ca=True, path_length=0), True)
        builder = builder.add_extension(
            x509.KeyUsage(False, False, False, False, False, True, True, False, False), critical=True
        )
        builder = builder.add_extension(x509.SubjectKeyIdentifier.from_public_key(self._key.public_key()), critical=False)
        self.file = _store(folder, stem, builder.sign(self._key, hashes.SHA256()), self._key).certificate

    def issue(self, stem: str, *, days: float = 5.0) -> Pair:
        """A certificate for 127.0.0.1."""
        key = ec.generate_private_key(ec.SECP256R1())
        names = x509.SubjectAlternativeName([x509.IPAddress(ipaddress.ip_address("127.0.0.1"))])
        builder = _builder(stem, self._name, key, days).add_extension(names, critical=False)
        builder = builder.add_extension(
            x509.AuthorityKeyIdentifier.from_issuer_public_key(self._key.public_key()), critical=False
        )
        return _store(self._folder, stem, builder.sign(self._key, hashes.SHA256()), key)

    def server_context(self, stem: str, *, wants_client: bool = False) -> ssl.SSLContext:
        """For a TLS server on 127.0.0.1."""
        pair = self.issue(stem)
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        context.load_cert_chain(pair.certificate, pair.key)
        if wants_client:
            context.load_verify_locations(self.file)
            context.verify_mode = ssl.CERT_REQUIRED
        return context


def application_pair(folder: Path, stem: str, uri: str, *, days: float = 90.0) -> Pair:
    """A self-signed OPC UA application certificate with its URI, good for 127.0.0.1."""
    key = rsa.generate_private_key(65537, 2048)
    names = x509.SubjectAlternativeName(
        [x509.UniformResourceIdentifier(uri), x509.DNSName("localhost"), x509.IPAddress(ipaddress.ip_address("127.0.0.1"))]
    )
    usage = x509.KeyUsage(True, True, True, True, False, True, False, False, False)
    builder = _builder(stem, _name(stem), key, days).add_extension(names, critical=False)
    builder = builder.add_extension(usage, critical=False)
    builder = builder.add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=False)
    builder = builder.add_extension(
        x509.ExtendedKeyUsage([ExtendedKeyUsageOID.CLIENT_AUTH, ExtendedKeyUsageOID.SERVER_AUTH]), critical=False
    )
    return _store(folder, stem, builder.sign(key, hashes.SHA256()), key)
