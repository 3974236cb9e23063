"""An authority of our own and certificates signed by it, for brokers that exist during one test."""

import ipaddress
from datetime import UTC, datetime, timedelta
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID


class Certificates:
    """Writes `ca.pem` into a folder, and a certificate for each name asked for."""

    def __init__(self, folder: Path) -> None:
        folder.mkdir()
        self.folder, self.ca = folder, folder / "ca.pem"
        self._key = ec.generate_private_key(ec.SECP256R1())
        self._name = _name("Invented authority")
        usage = x509.KeyUsage(
            digital_signature=False,
            content_commitment=False,
            key_encipherment=False,
            data_encipherment=False,
            key_agreement=False,
            key_cert_sign=True,
            crl_sign=True,
            encipher_only=False,
            decipher_only=False,
        )
        builder = (
            self._builder(self._name, self._key.public_key())
            .add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=True)
            .add_extension(usage, critical=True)
        )
        self._write(self.ca, builder)

    def lines(self, host: str) -> tuple[str, ...]:
        """Configuration of a broker with a certificate for that host name or address."""
        key = ec.generate_private_key(ec.SECP256R1())
        path, key_path = self.folder / "broker.pem", self.folder / "broker.key"
        name = x509.DNSName(host)
        if host[0].isdigit():
            name = x509.IPAddress(ipaddress.ip_address(host))  # type: ignore[assignment]
        builder = self._builder(_name("Invented broker"), key.public_key()).add_extension(
            x509.SubjectAlternativeName([name]), critical=False
        )
        self._write(path, builder)
        key_path.write_bytes(
            key.private_bytes(
                serialization.Encoding.PEM,
                serialization.PrivateFormat.PKCS8,
                serialization.NoEncryption(),
            )
        )
        return (f"certfile {path}", f"keyfile {key_path}")

    def _builder(self, subject: x509.Name, key: ec.EllipticCurvePublicKey) -> x509.CertificateBuilder:
        now = datetime.now(UTC)
        own = x509.AuthorityKeyIdentifier.from_issuer_public_key(self._key.public_key())
        return (
            x509.CertificateBuilder()
            .subject_name(subject)
            .issuer_name(self._name)
            .public_key(key)
            .serial_number(x509.random_serial_number())
            .not_valid_before(now - timedelta(hours=1))
            .not_valid_after(now + timedelta(days=1))
            .add_extension(x509.SubjectKeyIdentifier.from_public_key(key), critical=False)
            .add_extension(own, critical=False)
        )

    def _write(self, path: Path, builder: x509.CertificateBuilder) -> None:
        certificate = builder.sign(self._key, hashes.SHA256())
        path.write_bytes(certificate.public_bytes(serialization.Encoding.PEM))


def _name(common: str) -> x509.Name:
    return x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, common)])
