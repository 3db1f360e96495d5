"""Certificates of the tests' own: an authority, and what it signs for a server and a client on loopback."""

import ssl
import tempfile
from datetime import UTC, datetime, timedelta
from ipaddress import ip_address
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID


class Authority:
    """Signs certificates; `certificate` is its own as PEM."""

    def __init__(self, name: str) -> None:
        self._name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)])
        self._key = ec.generate_private_key(ec.SECP256R1())
        self.certificate = _pem(_built(self._name, self._name, self._key, self._key, authority=True))

    def sign(self, name: str) -> tuple[str, str]:
        """A certificate for 127.0.0.1 and localhost, and its key, as PEM."""
        key = ec.generate_private_key(ec.SECP256R1())
        subject = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)])
        private = key.private_bytes(
            serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
        )
        return _pem(_built(subject, self._name, key, self._key, authority=False)), private.decode()

    def server(self, *, clients: "Authority | None" = None) -> ssl.SSLContext:
        """A server's context; where `clients` is given, it wants a certificate of theirs."""
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        certificate, key = self.sign("receiver")
        with tempfile.TemporaryDirectory() as folder:
            chain, private = Path(folder) / "chain.pem", Path(folder) / "key.pem"
            chain.write_text(certificate)
            private.write_text(key)
            context.load_cert_chain(chain, private)
        if clients is not None:
            context.verify_mode = ssl.CERT_REQUIRED
            context.load_verify_locations(cadata=clients.certificate)
        return context


def _built(
    subject: x509.Name,
    issuer: x509.Name,
    key: ec.EllipticCurvePrivateKey,
    signer: ec.EllipticCurvePrivateKey,
    *,
    authority: bool,
) -> x509.Certificate:
    now = datetime.now(UTC)
    built = (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(issuer)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - timedelta(hours=1))
        .not_valid_after(now + timedelta(days=1))
        .add_extension(x509.BasicConstraints(ca=authority, path_length=None), critical=True)
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(key.public_key()), critical=False)
        .add_extension(x509.AuthorityKeyIdentifier.from_issuer_public_key(signer.public_key()), critical=False)
    )
    if not authority:
        names = [x509.DNSName("localhost"), x509.IPAddress(ip_address("127.0.0.1"))]
        built = built.add_extension(x509.SubjectAlternativeName(names), critical=False)
    return built.sign(signer, hashes.SHA256())


def _pem(certificate: x509.Certificate) -> str:
    return certificate.public_bytes(serialization.Encoding.PEM).decode()
