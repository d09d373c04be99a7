"""Certificate files in PEM or DER."""

from __future__ import annotations

from pathlib import Path

from cryptography import x509


def load(path: Path) -> x509.Certificate:
    """The first certificate of a file; OSError or ValueError where there is none."""
    content = path.read_bytes()
    if b"-----BEGIN" in content:
        return x509.load_pem_x509_certificate(content)
    return x509.load_der_x509_certificate(content)


def end_of_validity(path: Path) -> float:
    """When a certificate ends [epoch s]; OSError or ValueError where there is none."""
    return load(path).not_valid_after_utc.timestamp()
