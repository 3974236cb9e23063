"""The tester's key: who made a bundle can be proved by it, and that nobody changed it since.

A signature says who, not that a figure is true; for that, `panelwright verify` works it out again. Keys and
signatures are plain Ed25519 (RFC 8032) in PEM and raw bytes, so that other programs can check them too.
"""

import hashlib
import os
from pathlib import Path

from cryptography.exceptions import InvalidSignature, UnsupportedAlgorithm
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey
from cryptography.hazmat.primitives.serialization import (
    BestAvailableEncryption,
    Encoding,
    KeySerializationEncryption,
    NoEncryption,
    PrivateFormat,
    PublicFormat,
    load_pem_private_key,
    load_pem_public_key,
)

from acquire.errors import ConfigError

PASSPHRASE_VARIABLE = "PANELWRIGHT_KEY_PASSPHRASE"
_MAX_KEY_BYTES = 16_384
_NOT_A_KEY = "give a key written by: panelwright signing-key new --out FILE"


class SigningKey:
    """The private key; it never leaves this object except through `new_key`'s file."""

    def __init__(self, key: Ed25519PrivateKey) -> None:
        self._key = key

    def sign(self, data: bytes) -> bytes:
        """Signature of `data`, 64 bytes."""
        return self._key.sign(data)

    @property
    def public(self) -> "PublicKey":
        return PublicKey(self._key.public_key())


class PublicKey:
    """What anyone may have, to tell whether a signature was made with the private key."""

    def __init__(self, key: Ed25519PublicKey) -> None:
        self._key = key

    @property
    def pem(self) -> bytes:
        return self._key.public_bytes(Encoding.PEM, PublicFormat.SubjectPublicKeyInfo)

    @property
    def fingerprint(self) -> str:
        """SHA-256 of the key's DER form, hexadecimal: short enough to be printed elsewhere and compared."""
        der = self._key.public_bytes(Encoding.DER, PublicFormat.SubjectPublicKeyInfo)
        return hashlib.sha256(der).hexdigest()

    def signed(self, data: bytes, signature: bytes) -> bool:
        """Whether `signature` was made over `data` by the owner of this key."""
        try:
            self._key.verify(signature, data)
        except InvalidSignature:
            return False
        return True


def new_key(path: Path, passphrase: bytes | None = None) -> PublicKey:
    """Makes a key and writes it to `path`, which only its owner may read; the public one beside it, as .pub.

    Args:
        passphrase: encrypts the file; None: whoever has the file can sign.

    Raises:
        ConfigError: there is a file already, which is never replaced, or it cannot be written.
    """
    key = Ed25519PrivateKey.generate()
    hidden: KeySerializationEncryption = BestAvailableEncryption(passphrase) if passphrase else NoEncryption()
    public, beside = PublicKey(key.public_key()), public_file(path)
    if beside.exists():
        raise ConfigError(f"there is a {beside} already", hint="choose another name; keys are never replaced")
    _write_new(path, key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, hidden), 0o600)
    _write_new(beside, public.pem, 0o644)
    return public


def public_file(path: Path) -> Path:
    """Where `new_key` puts the public key of the key at `path`."""
    return path.with_name(path.name + ".pub")


def _write_new(path: Path, data: bytes, mode: int) -> None:
    try:
        handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, mode)
    except FileExistsError as error:
        raise ConfigError(
            f"there is a {path} already", hint="choose another name; keys are never replaced"
        ) from error
    except OSError as error:
        raise ConfigError(f"{path} cannot be written: {error.strerror}", hint="check the folder") from error
    with os.fdopen(handle, "wb") as file:
        file.write(data)
        file.flush()
        os.fsync(file.fileno())


def is_encrypted(path: Path) -> bool:
    """Whether the key at `path` asks for a passphrase.

    Raises:
        ConfigError: the file cannot be read.
    """
    return b"ENCRYPTED" in _read(path)


def load_key(path: Path, passphrase: bytes | None = None) -> SigningKey:
    """The private key at `path`.

    Raises:
        ConfigError: the file cannot be read, is no such key, or the passphrase is missing or wrong.
    """
    data = _read(path)
    if b"ENCRYPTED" in data and not passphrase:
        raise ConfigError(
            f"the key {path} asks for a passphrase", hint=f"type it, or put it into {PASSPHRASE_VARIABLE}"
        )
    try:
        key = load_pem_private_key(data, passphrase if b"ENCRYPTED" in data else None)
    except (ValueError, TypeError, UnsupportedAlgorithm) as error:
        what = (
            "its passphrase is another, or it is damaged" if b"ENCRYPTED" in data else "it is no private key"
        )
        raise ConfigError(f"the key {path} cannot be used: {what}", hint=_NOT_A_KEY) from error
    if not isinstance(key, Ed25519PrivateKey):
        raise ConfigError(f"the key {path} is not an Ed25519 key", hint=_NOT_A_KEY)
    return SigningKey(key)


def load_public_key(path: Path) -> PublicKey:
    """The public key at `path`.

    Raises:
        ConfigError: the file cannot be read, or is no such key.
    """
    return parse_public_key(_read(path), str(path))


def parse_public_key(pem: bytes, where: str) -> PublicKey:
    """The public key in a PEM text.

    Raises:
        ConfigError: it is none; the message calls it `where`.
    """
    try:
        key = load_pem_public_key(pem)
    except (ValueError, UnsupportedAlgorithm) as error:
        raise ConfigError(
            f"{where} is no public key", hint="give the .pub file that lies beside the tester's key"
        ) from error
    if not isinstance(key, Ed25519PublicKey):
        raise ConfigError(f"{where} is not an Ed25519 key", hint="bundles are signed with Ed25519 keys")
    return PublicKey(key)


def _read(path: Path) -> bytes:
    try:
        with path.open("rb") as file:
            return file.read(_MAX_KEY_BYTES)
    except OSError as error:
        raise ConfigError(f"{path} cannot be read: {error.strerror}", hint="check the path") from error
