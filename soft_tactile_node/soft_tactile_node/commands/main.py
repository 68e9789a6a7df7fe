"""The `soft-tactile` command: finds its subcommands, and turns errors into one line and an exit code.

Exit codes: 0 good, 1 the data or the device is bad (the reason is printed), 2 wrong usage.
"""

from __future__ import annotations

import importlib
import os
import pkgutil
import sys
from collections.abc import Sequence

import click

from soft_tactile_node import commands
from soft_tactile_node.errors import SoftTactileError

BAD_DATA = 1
INTERRUPTED = 130
LONGEST_TEXT = 200  # of an unexpected error, in characters
NOT_COMMANDS = ("main",)


def _word(module: str) -> str:
    """Return the subcommand of a module; one named like a word of Python's has a module that ends with a "_"."""
    return module.rstrip("_").replace("_", "-")


class Subcommands(click.Group):
    """A group whose subcommands are the modules of this folder, imported only when one is asked for."""

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002 - click's own signature
        """Return the names of all subcommands in alphabetical order."""
        modules = (module.name for module in pkgutil.iter_modules(commands.__path__))
        return sorted(_word(name) for name in modules if name not in NOT_COMMANDS and name[0] != "_")

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Import one subcommand."""
        if cmd_name not in self.list_commands(ctx):
            return None
        names = (module.name for module in pkgutil.iter_modules(commands.__path__))
        module = importlib.import_module(f"{commands.__name__}.{next(n for n in names if _word(n) == cmd_name)}")
        command: click.Command = module.command
        return command


@click.command(cls=Subcommands, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 120})
@click.version_option(package_name="soft_tactile_node", prog_name="soft-tactile")
@click.option("--traceback", is_flag=True, help="Show where in the code an error came from, for a bug report.")
def group(traceback: bool) -> None:
    """Touch for soft gripper fingers read by flat coils: simulate, calibrate, replay, score."""


def main(arguments: Sequence[str] | None = None) -> None:
    """Run the command line, `arguments` or those of this process, and leave with its exit code."""
    words = list(sys.argv[1:] if arguments is None else arguments)
    sys.exit(run(words))


def run(words: list[str]) -> int:
    """Run the command line `words`, without the program's name; returns the exit code."""
    try:
        code = group.main(args=words, prog_name="soft-tactile", standalone_mode=False)
        sys.stdout.flush()
    except click.exceptions.Exit as left:
        return left.exit_code
    except click.ClickException as error:
        error.show()
        return error.exit_code
    except (click.Abort, KeyboardInterrupt):
        print("soft-tactile: interrupted", file=sys.stderr)
        return INTERRUPTED
    except BrokenPipeError:
        # The reader (head, less) has gone. Keep Python from complaining again when it closes stdout.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return BAD_DATA
    except Exception as error:
        if "--traceback" in words:
            raise
        print(f"soft-tactile: {_describe(error)}", file=sys.stderr)
        return BAD_DATA
    return code if isinstance(code, int) else 0


def _describe(error: Exception) -> str:
    """Return an error as one line."""
    text = " ".join(str(error).split())
    if isinstance(error, SoftTactileError):
        return text
    if isinstance(error, OSError):
        return f"{error.filename or 'system'}: {error.strerror or text}"
    shown = text if len(text) <= LONGEST_TEXT else text[:LONGEST_TEXT] + "..."
    return (
        f"unexpected {type(error).__name__}: {shown or 'no text'}; this is a defect: run `soft-tactile --traceback …` "
        "again and report what it prints"
    )
