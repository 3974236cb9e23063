"""What verification found, of a bench or of a bundle, in words and as data."""

from pathlib import Path
from typing import TYPE_CHECKING

import click

from acquire.cli.options import echo_json
from acquire.cli.plain import harmless

if TYPE_CHECKING:
    from acquire.outputs.publish.proving import BundleReport
    from acquire.verification import VerificationReport

_SIGNED = {
    "by the given key": "by the key you gave",
    "by the key inside": "by the key in the bundle itself. Compare its fingerprint with one from elsewhere",
    "unsigned": "none. Nothing shows who made this bundle",
    "another key": "NOT by the key you gave",
    "not by this key": "DOES NOT FIT",
}


def prove(bundle: Path, public_key: Path | None, head: str | None) -> "BundleReport":
    """Proves a bundle, telling on stderr how far it is."""
    from rich.console import Console

    from acquire.outputs.publish.proving import prove_bundle
    from acquire.outputs.publish.signing import load_public_key

    key = None if public_key is None else load_public_key(public_key)
    with Console(stderr=True).status("reading the bundle") as status:
        return prove_bundle(bundle, public_key=key, expected_head=head, watch=status.update)


def print_bundle(found: "BundleReport", *, as_json: bool) -> None:
    """Prints what was found of a bundle, and ends with status 1 if anything is wrong."""
    if as_json:
        echo_json(_bundle_data(found))
    else:
        _tell_bundle(found)
    if not found.holds:
        raise SystemExit(1)


def _say(text: str) -> None:
    click.echo(harmless(text))


def _bundle_data(found: "BundleReport") -> dict[str, object]:
    return {
        "holds": found.holds,
        "signed": found.signed,
        "fingerprint": found.fingerprint,
        "manifest": None
        if found.manifest is None
        else found.manifest.model_dump(mode="json", exclude={"files"}),
        "files": found.files_n,
        "figures": found.figures_n,
        "faults": found.faults,
        "told": found.told,
        "journal": None if found.journal is None else verification_data(found.journal),
    }


def _tell_bundle(found: "BundleReport") -> None:
    about = found.manifest
    if about is not None:
        trials = "1 trial" if len(about.trials) == 1 else f"{len(about.trials)} trials"
        _say(f"Bundle: {about.bench}, {trials} by method {about.method_title!r}.")
        if about.simulated:
            _say(f"SIMULATED: {'; '.join(about.simulated)}. Nothing was measured on a real panel.")
    _say(f"Signature: {_SIGNED[found.signed]}.")
    if found.fingerprint is not None:
        _say(f"  fingerprint {found.fingerprint}")
        _say("A signature shows who vouches for these files, not that what they say is true.")
    if about is not None:
        _say(f"Files: {found.files_n} of {len(about.files)} are as the manifest says.")
    if found.journal is not None:
        print_verification(found.journal)
    _say(f"Figures: {found.figures_n} points, totals and places worked out again.")
    for fault in found.faults:
        _say(f"WRONG: {fault}.")
    for told in found.told:
        _say(f"Told, and no fault: {told}.")
    _say("All holds." if found.holds else "NOT in order.")


def verification_data(found: "VerificationReport") -> dict[str, object]:
    """What was found, for another program."""
    broken = found.chain.broken
    return {
        "holds": found.holds,
        "events": found.chain.events_n,
        "head": found.chain.head_hash,
        "broken": None
        if broken is None
        else {"event": broken.seq, "what": broken.what, "detail": broken.detail},
        "recordings": found.recordings_n,
        "readings": found.readings_n,
        "refusals": found.refusals_n,
        "faults": [
            {"recording": fault.recording, "item": fault.item, "what": fault.what} for fault in found.faults
        ],
        "cut": list(found.cut),
        "stamps": found.stamps_n,
        "checks": found.checks_n,
        "readings_before_bench_file": found.before_bench_n,
    }


def print_verification(found: "VerificationReport") -> None:
    """Prints what was found of journal and recordings."""
    chain = found.chain
    if chain.broken is None:
        _say(f"Journal: {chain.events_n} events, every link holds.")
        _say("Its head, to note where nobody can change it:")
        _say(f"  {chain.head_hash}")
    else:
        _say(f"Journal: BROKEN at event {chain.broken.seq}: {chain.broken.detail}.")
    compared = (
        f"{found.readings_n} readings and {found.refusals_n} refusals from {found.recordings_n} recordings"
    )
    if not found.faults:
        _say(f"Recordings: {compared}, every one came out the same.")
    else:
        _say(f"Recordings: {compared}, and {len(found.faults)} thing(s) wrong:")
        for fault in found.faults:
            _say(f"  {fault}")
    _say(f"Stamps: {found.stamps_n} stamps and {found.checks_n} checks derived again.")
    if found.before_bench_n:
        _say(
            f"Told, and no fault: {found.before_bench_n} readings are from before the journal kept the bench "
            "file; their stamps cannot be derived again."
        )
    for name in found.cut:
        _say(f"Told, and no fault: the last line of {name} was never finished (a killed program).")
