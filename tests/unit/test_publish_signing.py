"""The tester's key: what it signs is checked by its public half, by other programs too, by no other key."""

import shutil
import stat
import subprocess
import sys
from pathlib import Path

import pytest
from cryptography.hazmat.primitives.asymmetric.ec import SECP256R1, generate_private_key
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey
from cryptography.hazmat.primitives.serialization import Encoding, NoEncryption, PrivateFormat, PublicFormat

from acquire.errors import ConfigError
from acquire.outputs.publish.signing import (
    PublicKey,
    SigningKey,
    is_encrypted,
    load_key,
    load_public_key,
    new_key,
    public_file,
)


def test_rfc_8032_first_test_vector() -> None:
    # RFC 8032, 7.1, TEST 1 (from memory; the empty message).
    secret = bytes.fromhex("9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60")
    public = bytes.fromhex("d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a")
    signature = bytes.fromhex(
        "e5564300c360ac729086e2cc806e828a84877f1eb8e5d974d873e065224901555fb8821590a33bacc61e39701cf9b46b"
        "d25bf5f0595bbe24655141438e7a100b"
    )
    assert SigningKey(Ed25519PrivateKey.from_private_bytes(secret)).sign(b"") == signature
    key = PublicKey(Ed25519PublicKey.from_public_bytes(public))
    assert key.signed(b"", signature)
    assert not key.signed(b"x", signature)
    assert not key.signed(b"", signature[:-1])


@pytest.mark.parametrize("passphrase", [None, b"eleven larches"])
def test_a_new_key_is_read_back_and_its_public_half_lies_beside(
    tmp_path: Path, passphrase: bytes | None
) -> None:
    path = tmp_path / "tester.pem"
    public = new_key(path, passphrase)
    assert is_encrypted(path) == (passphrase is not None)
    key = load_key(path, passphrase)
    assert key.public.fingerprint == public.fingerprint == load_public_key(public_file(path)).fingerprint
    assert public.signed(b"message", key.sign(b"message"))


@pytest.mark.skipif(sys.platform == "win32", reason="Windows keeps no such modes")
def test_only_its_owner_may_read_a_key(tmp_path: Path) -> None:
    new_key(tmp_path / "tester.pem")
    assert stat.S_IMODE((tmp_path / "tester.pem").stat().st_mode) == 0o600


def test_a_key_is_never_replaced(tmp_path: Path) -> None:
    path = tmp_path / "tester.pem"
    new_key(path)
    kept = path.read_bytes()
    with pytest.raises(ConfigError, match=r"there is a .* already"):
        new_key(path)
    public_file(path).unlink()
    with pytest.raises(ConfigError, match=r"there is a .* already"):
        new_key(path)
    assert path.read_bytes() == kept
    assert not public_file(path).exists()


def test_a_passphrase_that_is_missing_or_wrong_is_told(tmp_path: Path) -> None:
    path = tmp_path / "tester.pem"
    new_key(path, b"eleven larches")
    with pytest.raises(ConfigError, match="asks for a passphrase"):
        load_key(path)
    with pytest.raises(ConfigError, match="its passphrase is another, or it is damaged"):
        load_key(path, b"twelve larches")


def test_what_is_no_such_key_is_refused(tmp_path: Path) -> None:
    (tmp_path / "text").write_text("not a key", encoding="utf-8")
    other = generate_private_key(SECP256R1())
    (tmp_path / "curve").write_bytes(other.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption()))
    (tmp_path / "curve.pub").write_bytes(
        other.public_key().public_bytes(Encoding.PEM, PublicFormat.SubjectPublicKeyInfo)
    )
    with pytest.raises(ConfigError, match="it is no private key"):
        load_key(tmp_path / "text")
    with pytest.raises(ConfigError, match="not an Ed25519 key"):
        load_key(tmp_path / "curve")
    with pytest.raises(ConfigError, match="is no public key"):
        load_public_key(tmp_path / "text")
    with pytest.raises(ConfigError, match="not an Ed25519 key"):
        load_public_key(tmp_path / "curve.pub")
    with pytest.raises(ConfigError, match="cannot be read"):
        load_key(tmp_path / "nowhere")
    with pytest.raises(ConfigError, match="cannot be written"):
        new_key(tmp_path / "nowhere" / "tester.pem")


@pytest.mark.skipif(shutil.which("openssl") is None, reason="checks with OpenSSL's command")
def test_another_program_accepts_the_signature_and_no_other(tmp_path: Path) -> None:
    path = tmp_path / "tester.pem"
    new_key(path)
    (tmp_path / "message").write_bytes(b"a manifest\n")
    (tmp_path / "message.sig").write_bytes(load_key(path).sign(b"a manifest\n"))

    def accepted() -> bool:
        words = ("pkeyutl", "-verify", "-pubin", "-inkey", str(public_file(path)), "-rawin")
        files = ("-in", str(tmp_path / "message"), "-sigfile", str(tmp_path / "message.sig"))
        return not subprocess.run(["openssl", *words, *files], capture_output=True, check=False).returncode

    assert accepted()
    (tmp_path / "message").write_bytes(b"A manifest\n")
    assert not accepted()
