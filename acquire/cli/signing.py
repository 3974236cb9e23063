"""The command for the tester's key, with which what is published is signed."""

import os
from pathlib import Path

import click

from acquire.cli.options import echo_json, json_option


@click.group("signing-key")
def signing_key() -> None:
    """The tester's key: make one, and show its public half.

    A signature shows who vouches for a bundle and that nobody changed it since, not that it is true. Keep the
    key where only you can read it, and a copy elsewhere; give away the .pub file and its fingerprint.
    """


@signing_key.command("new", epilog="Example:  panelwright signing-key new --out tester.pem")
@click.option("--out", type=click.Path(path_type=Path, dir_okay=False), required=True, help="File to write.")
@click.option(
    "--no-passphrase", is_flag=True, help="Do not encrypt it: whoever has the file can sign in your name."
)
@json_option
def new(out: Path, no_passphrase: bool, as_json: bool) -> None:
    """Make a key. Its public half is written beside it, as FILE.pub.

    The passphrase is asked for, or taken from the variable PANELWRIGHT_KEY_PASSPHRASE.
    """
    from acquire.outputs.publish.signing import PASSPHRASE_VARIABLE, new_key, public_file

    passphrase = None if no_passphrase else os.environ.get(PASSPHRASE_VARIABLE)
    if passphrase is None and not no_passphrase:
        passphrase = click.prompt("Passphrase", hide_input=True, confirmation_prompt=True, err=True)
    public = new_key(out, passphrase.encode() if passphrase else None)
    if as_json:
        echo_json({"key": str(out), "public": str(public_file(out)), "fingerprint": public.fingerprint})
        return
    click.echo(f"{out}: the key; keep it to yourself.")
    click.echo(f"{public_file(out)}: its public half, for everybody.")
    click.echo(f"Fingerprint, to be printed where people can compare it:\n  {public.fingerprint}")


@signing_key.command("show", epilog="Example:  panelwright signing-key show tester.pem.pub")
@click.argument("file", type=click.Path(path_type=Path, exists=True, dir_okay=False))
@json_option
def show(file: Path, as_json: bool) -> None:
    """Show the fingerprint of a public key FILE."""
    from acquire.outputs.publish.signing import load_public_key

    fingerprint = load_public_key(file).fingerprint
    if as_json:
        echo_json({"public": str(file), "fingerprint": fingerprint})
    else:
        click.echo(fingerprint)


def passphrase_for(path: Path) -> bytes | None:
    """The passphrase of the key at `path`, if it has one: from the environment, or asked for.

    Raises:
        ConfigError: the file cannot be read.
    """
    from acquire.outputs.publish.signing import PASSPHRASE_VARIABLE, is_encrypted

    if not is_encrypted(path):
        return None
    said = os.environ.get(PASSPHRASE_VARIABLE)
    if said is None:
        said = click.prompt(f"Passphrase of {path}", hide_input=True, err=True)
    return str(said).encode()
