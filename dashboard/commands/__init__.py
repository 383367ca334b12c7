"""The command line `pullcue`: one module a subcommand, each imported only when it is asked for.

Every refusal reaches the person as one sentence on stderr with exit code 2 and no traceback; an interruption
by Ctrl-C ends with 130, as shells expect of an interrupted program.
"""

from __future__ import annotations

import errno
import os
import sys
from collections.abc import Callable, Sequence
from contextlib import suppress
from importlib import import_module
from keyword import iskeyword
from typing import Any

import click

from thermal.fields import InputError, near_matches

# Before numpy is imported, which nothing above does: what is computed here are many small arrays, for which threads of
# a linear algebra library cost far more than they give, most of all on a busy machine.
for _threads in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_threads, "1")

#: Subcommand -> the module below this package that holds a click command of the same name.
SUBCOMMANDS = (
    "backup", "bench", "calibrate", "check", "choose", "drift", "export", "heats", "import", "mark", "ovens", "pages",
    "plan", "polymers", "ports", "practice", "review", "sensors", "survey", "trends", "watch",
)  # fmt: skip


def module_of(name: str) -> str:
    """The module of a subcommand, and what the command is called in it: a word of Python's own gets a '_'."""
    return f"{name}_" if iskeyword(name) else name


#: What a stream without a name fails with when it takes no more: full, over its quota, broken, too large.
_CANNOT_WRITE = {getattr(errno, name, None) for name in ("ENOSPC", "EDQUOT", "EIO", "EFBIG")} - {None}


class LazyGroup(click.Group):
    """A group that imports a subcommand's module when that subcommand is asked for, and not before."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """The names of all subcommands, without importing them."""
        return sorted(SUBCOMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """The subcommand of this name, imported now; None where there is none."""
        if cmd_name not in SUBCOMMANDS:
            return None
        module = module_of(cmd_name)
        command: object = getattr(import_module(f"{__name__}.{module}"), module)
        if not isinstance(command, click.Command):
            raise TypeError(f"{__name__}.{module}.{module} is no click command: {command!r}")
        return command

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """As click does, with near matches named for a subcommand that does not exist."""
        if args[0] not in SUBCOMMANDS and not args[0].startswith("-"):
            known = ", ".join(self.list_commands(ctx))
            ctx.fail(f"there is no command {args[0]!r}{near_matches(args[0], SUBCOMMANDS)}; known are {known}")
        return super().resolve_command(ctx, args)

    def main(
        self,
        args: Sequence[str] | None = None,
        prog_name: str | None = None,
        complete_var: str | None = None,
        standalone_mode: bool = True,
        **extra: Any,
    ) -> Any:
        """Run a command line as click's `main` does, but with this module's way of refusing."""

        def run() -> object:
            return super(LazyGroup, self).main(args, prog_name, complete_var, standalone_mode=False, **extra)

        return sys.exit(_exit_code(run)) if standalone_mode else run()


def _exit_code(run: Callable[[], object]) -> int:
    """Run a command line; its exit code, what went wrong having been said."""
    try:
        result = run()
    except click.exceptions.NoArgsIsHelpError as error:
        error.show()
        return error.exit_code
    except click.UsageError as error:
        path = error.ctx.command_path if error.ctx else "pullcue"
        return _refuse(f"{error.format_message().rstrip('.')}; see '{path} --help'.", path)
    except click.ClickException as error:
        return _refuse(error.format_message())
    except InputError as error:
        return _refuse(str(error))
    except click.Abort:
        return 130
    except OSError as error:
        if error.filename is None and error.errno in _CANNOT_WRITE:
            _give_up_stdout()
            return _refuse(f"the answer cannot be written: {error.strerror}; make room, or send it elsewhere.")
        if error.filename is None:
            raise
        reason = error.strerror or type(error).__name__
        return _refuse(f"{error.filename}: {reason}; check the name of the file and that it may be used.")
    return result if isinstance(result, int) else 0


def _give_up_stdout() -> None:
    """Close stdout with what is left for it, or Python tries once more at its end and fails with words of its own."""
    with suppress(OSError):
        sys.stdout.close()


def _refuse(sentence: str, path: str = "pullcue") -> int:
    """Say one sentence on stderr; the exit code for input that cannot be used."""
    click.echo(f"{path}: {sentence}", err=True)
    return 2


@click.group(
    cls=LazyGroup,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    epilog="Pullcue advises and records; it controls no oven. The sheet's instructions for use, its safety "
    "data sheet, the shop's procedures and local codes come first.",
)
@click.version_option(package_name="pullcue", message="%(prog)s %(version)s")
def pullcue() -> None:
    """Tell when the core of a heated thermoplastic sheet is ready to pull."""


def main() -> None:
    """Entry point of the console script `pullcue`.

    A console that cannot show a character (an old Windows code page) gets a '?' for it, not a failure.
    """
    for stream in (sys.stdout, sys.stderr):
        reconfigure = getattr(stream, "reconfigure", None)
        if reconfigure is not None:
            reconfigure(errors="replace")
    pullcue.main(prog_name="pullcue")
