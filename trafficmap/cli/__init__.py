"""The command line: one file a command; nothing heavy is imported before it is needed.

In come words typed by a person; out go results on standard output, everything else on
standard error, and an exit code that means something.
"""

from __future__ import annotations

import os
import signal
import sys
import traceback

import click

from trafficmap import __version__
from trafficmap.cli._show import say
from trafficmap.core.errors import TrafficmapError

EXIT_CODES = {
    0: "done",
    1: "something unexpected happened; the fault is ours",
    2: "the command was typed wrong",
    3: "an input was refused",
    4: "finished, but a note of severity stop stands and --strict was given",
    5: "another run is using the folder",
    6: "a result could not be written",
    130: "stopped by the person (Ctrl-C)",
    143: "stopped by the system (terminate)",
}

_COMMANDS = (
    *("sample", "new", "check", "run"),
    *("probe",),
    *("when",),
    *("order",),
    *("redraw",),
    *("compare", "review"),
    *("explain", "export", "doctor"),
)


class _Group(click.Group):
    """Commands in the order a person needs them, each loaded when it is asked for."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(_COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in _COMMANDS:
            return None
        from importlib import import_module

        return import_module(f"trafficmap.cli.{cmd_name}").command


@click.group(
    cls=_Group,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 88},
)
@click.version_option(__version__, prog_name="trafficmap")
@click.option("-v", "--verbose", count=True, help="Say more; -vv shows where it broke.")
@click.option("-q", "--quiet", is_flag=True, help="Say only what went wrong.")
@click.pass_context
def cli(ctx: click.Context, verbose: int, quiet: bool) -> None:
    """From a season's logs to the ground worth ripping, and the ground to leave.

    \b
    Example:
      trafficmap sample demo
      trafficmap run demo -o demo-out

    What comes out is advice, never permission: locate buried lines and tile, and dig
    before you rip.
    """
    ctx.obj = {"verbose": verbose, "quiet": quiet}


class _TerminatedError(BaseException):
    """Raised in the main thread when the system asks the program to stop."""


def _on_terminate(signum: int, frame: object) -> None:
    raise _TerminatedError


def main(arguments: list[str] | None = None) -> None:
    """Run the command line and leave with one of `EXIT_CODES`."""
    arguments = sys.argv[1:] if arguments is None else arguments
    signal.signal(signal.SIGTERM, _on_terminate)
    sys.exit(run_command(arguments))


def run_command(arguments: list[str]) -> int:
    """Run one command and return its exit code; nothing escapes as a traceback."""
    try:
        result = cli.main(args=arguments, prog_name="trafficmap", standalone_mode=False)
        return result if isinstance(result, int) else 0
    except click.exceptions.Exit as leave:
        return leave.exit_code
    except click.UsageError as error:
        error.show()
        return 2
    except TrafficmapError as error:
        say(error.sentence)
        if _wants_traceback(arguments):
            traceback.print_exc()
        if error.hint:
            say(f"Try: {error.hint}")
        return error.exit_code
    except (KeyboardInterrupt, click.Abort):
        say("stopped; nothing half-written was left behind.")
        return 130
    except _TerminatedError:
        say("stopped by the system; nothing half-written was left behind.")
        return 143
    except (BrokenPipeError, SystemExit):
        # The reader of our output went away (click turns that into SystemExit); keep
        # Python from complaining about it at exit.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except MemoryError:
        say("this field needs more memory than the machine has free.")
        say("Try: larger cells with --cell 2")
        return 3
    except Exception as error:
        say(f"unexpected: {type(error).__name__}: {error}")
        if _wants_traceback(arguments):
            traceback.print_exc()
        say(
            "Try: the same with -vv, and send what it prints to the people who keep it."
        )
        return 1


def _wants_traceback(arguments: list[str]) -> bool:
    return (
        "-vv" in arguments or arguments.count("-v") + arguments.count("--verbose") >= 2
    )
