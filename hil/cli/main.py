"""`wakebench`: the commands, and what becomes of their errors.

Each command imports what it needs when it runs, so that `--help` answers at once.
"""

from __future__ import annotations

import os
import sys
from pathlib import Path

import typer

from . import list_command, precheck_command, script_command, simulate_command, test_command, wiring_command

app = typer.Typer(
    name="wakebench",
    help="Hardware-in-the-loop tests for cellular modems in unattended equipment, with a simulated modem.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,  # plain help: rich takes longer to load than all the rest
    context_settings={"help_option_names": ["-h", "--help"]},
)
app.command("wiring")(wiring_command.show_wiring)
app.command("simulate")(simulate_command.simulate)
app.command(
    "test",
    context_settings={"allow_extra_args": True, "ignore_unknown_options": True},
)(test_command.run_tests)
app.command("script")(script_command.script)
app.command("precheck")(precheck_command.precheck)
app.command("list")(list_command.list_names)


def _open_standard_streams() -> None:
    """Whoever was started with one of them closed has it lead nowhere: no file of ours takes its number."""
    for name, mode in (("stdin", "r"), ("stdout", "w"), ("stderr", "w")):
        if getattr(sys, name) is None:
            setattr(sys, name, Path(os.devnull).open(mode, encoding="utf-8"))  # noqa: SIM115 # to the end


def run() -> None:
    """The entry point: errors of ours become one line and an exit code, never a traceback."""
    from hil.errors import WakebenchError

    _open_standard_streams()
    try:
        app()
    except WakebenchError as error:
        from hil.exit_codes import of_error

        print(f"wakebench: {error}", file=sys.stderr)  # noqa: T201 # a command line
        sys.exit(int(of_error(error)))
    except BrokenPipeError:
        sys.exit(1)
