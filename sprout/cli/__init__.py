"""The command line: a thin layer that opens, calls and prints. Nothing costly is imported before a command runs."""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence
from typing import Any, cast

import typer

from sprout.cli.output import complain
from sprout.errors import PhotoError, SproutError
from sprout.settings import VERSION

# typer brings its own copy of click or uses the installed one, as its version may be
_WordsFault = cast(type[Exception], typer.BadParameter.__mro__[1])

# sums over several threads differ in their last digits: a reading must not depend on how many cores a machine has
os.environ.update(dict.fromkeys(("OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "OMP_NUM_THREADS"), "1"))

_INTERRUPTED = 130

app = typer.Typer(
    name="sprout",
    help="Count the seedlings on a hydroponic lid from one phone photo a day.",
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)


def _print_version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"sprout {VERSION}")
        raise typer.Exit()


@app.callback(invoke_without_command=True)
def _root(
    context: typer.Context,
    version: bool = typer.Option(False, "--version", callback=_print_version, is_eager=True, help="Show the version."),
) -> None:
    if context.invoked_subcommand is None:
        typer.echo(context.get_help())


def _register() -> None:
    from sprout.cli import (
        caring,
        comparing,
        forecasting,
        keeping,
        making,
        notes,
        reading,
        reporting,
        serving,
        showing,
        sowing,
        upkeep,
    )

    for module in (making, keeping, forecasting, caring, sowing, showing, reporting, comparing, reading, serving):
        for name, command in module.COMMANDS.items():
            app.command(name)(command)
    app.add_typer(notes.app, name="note")
    app.add_typer(upkeep.app, name="book")


_register()


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command and return the exit status.

    0 done; 1 a fault of ours; 2 the command's words; 3 some photos could not be read; 4 none could; 5 the lid file or
    the book is at fault; 6 cannot write; 130 interrupted. No traceback is shown unless SPROUT_DEBUG is set.
    """
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")
    try:
        words = None if argv is None else list(argv)
        status = int(app(args=words, prog_name="sprout", standalone_mode=False) or 0)
        if status == _INTERRUPTED:  # some versions of typer turn Ctrl-C into a status
            raise KeyboardInterrupt
        return status
    except PhotoError as e:  # one photo was all the command had
        complain(e)
        return 4
    except SproutError as e:
        complain(e)
        return e.exit_code
    except (KeyboardInterrupt, typer.Abort):
        complain("stopped")
        return _INTERRUPTED
    except _WordsFault as e:
        context, message = getattr(e, "ctx", None), cast(Any, e).format_message()
        path = context.command_path if context else "sprout"
        complain(f"{message}\nsee: {path} --help")
        return 2
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except Exception as e:
        if os.environ.get("SPROUT_DEBUG"):
            raise
        what = " ".join(str(e).split())
        complain(f"a fault of sprout itself ({type(e).__name__}: {what}); SPROUT_DEBUG=1 shows where")
        return 1
