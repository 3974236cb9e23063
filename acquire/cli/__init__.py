"""The `panelwright` command. Each module here holds one group of commands and no logic.

Commands are imported when they are called: `panelwright --version` must not wait for numpy.
"""

from importlib import import_module
from typing import Any

import click

from acquire.cli.plain import write_out_what_cannot_be_shown
from acquire.errors import PanelwrightError

_COMMANDS = {
    "apply": "acquire.cli.steps:apply",
    "bus": "acquire.cli.bus:bus",
    "calibration": "acquire.cli.drift:calibration",
    "capture": "acquire.cli.bench:capture",
    "check": "acquire.cli.checks:check",
    "clear": "acquire.cli.doubts:clear",
    "correct": "acquire.cli.checks:correct",
    "demo": "acquire.cli.demo:demo",
    "dossier": "acquire.cli.drift:dossier",
    "drift": "acquire.cli.drift:drift",
    "follow": "acquire.cli.bus:follow",
    "gauges": "acquire.cli.gauges:gauges",
    "identify": "acquire.cli.identify:identify",
    "import": "acquire.cli.importing:import_",
    "incident": "acquire.cli.doubts:incident",
    "init": "acquire.cli.begin:init",
    "inspect": "acquire.cli.trial:inspect",
    "journal": "acquire.cli.results:journal",
    "key": "acquire.cli.key:key",
    "methods": "acquire.cli.rescoring:methods",
    "next": "acquire.cli.steps:next_",
    "panel": "acquire.cli.panels:panel",
    "plan": "acquire.cli.plan:plan",
    "ports": "acquire.cli.gauges:ports",
    "publish": "acquire.cli.publishing:publish",
    "pulls": "acquire.cli.traces:pulls",
    "rate": "acquire.cli.trial:rate",
    "references": "acquire.cli.checks:references",
    "replay": "acquire.cli.traces:replay",
    "report": "acquire.cli.results:report",
    "rescore": "acquire.cli.rescoring:rescore",
    "rule": "acquire.cli.trial:rule",
    "score": "acquire.cli.results:score",
    "serve": "acquire.cli.serve:serve",
    "signing-key": "acquire.cli.signing:signing_key",
    "simulate": "simulators.cli:simulate",
    "stamps": "acquire.cli.doubts:stamps",
    "standings": "acquire.cli.results:standings",
    "step": "acquire.cli.steps:step",
    "study": "acquire.cli.study:study",
    "touched": "acquire.cli.doubts:touched",
    "trial": "acquire.cli.trial:trial",
    "verify": "acquire.cli.results:verify",
    "watch": "acquire.cli.watch:watch",
}


class _Commands(click.Group):
    """Finds commands by name and shows our errors in plain words."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return sorted(_COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        place = _COMMANDS.get(cmd_name)
        if place is None:
            return None
        module, name = place.split(":")
        command = getattr(import_module(module), name)
        assert isinstance(command, click.Command)
        return command

    def main(self, *args: Any, **kwargs: Any) -> Any:
        write_out_what_cannot_be_shown()
        return super().main(*args, **kwargs)

    def invoke(self, ctx: click.Context) -> Any:
        try:
            return super().invoke(ctx)
        except PanelwrightError as error:
            hint = f"\n  {error.hint}" if error.hint else ""
            raise click.ClickException(f"{error}{hint}") from error
        except OSError as error:
            # Of a file that a person named; a reader that has gone away is click's to handle.
            if error.filename is None:
                raise
            raise click.ClickException(f"{error.filename}: {error.strerror}") from error


def _version(ctx: click.Context, param: click.Parameter, asked: bool) -> None:
    if asked and not ctx.resilient_parsing:
        from importlib.metadata import version

        click.echo(f"panelwright {version('panelwright')}")
        ctx.exit()


@click.group(cls=_Commands, context_settings={"help_option_names": ["-h", "--help"]})
@click.option(
    "--version", is_flag=True, callback=_version, expose_value=False, is_eager=True, help="Show the version."
)
def main() -> None:
    """Tests of paint protection, from the bytes of a gauge to a scorecard.

    \b
    Start here:
      panelwright demo                      the whole job on simulated gauges
      panelwright init --home my-bench      a bench of your own
      panelwright pulls trace.csv           pulls in a force trace you already have
    """
