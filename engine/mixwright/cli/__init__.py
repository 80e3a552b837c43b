"""The command line. Each verb lives in a file of its own and is imported only when asked for."""

from __future__ import annotations

import errno
import importlib
import io
import os
import sys
from collections.abc import Sequence

import click

from mixwright import __version__
from mixwright.escaping import visible
from mixwright.problem import Fault, ProblemError

VERBS = (
    "bypass",
    "check",
    "compare",
    "deliver",
    "demo",
    "inspect",
    "log",
    "measure",
    "render",
    "review",
    "schema",
    "tidy",
    "validate",
    "verify",
)
FULL = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG, errno.EIO)
EXIT_USAGE, EXIT_MACHINE, EXIT_OUR_BUG, EXIT_INTERRUPTED = 2, 3, 70, 130


class LazyGroup(click.Group):
    """Finds a verb's command in ``mixwright.cli.<verb>`` when it is needed."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """All verbs, in order."""
        return list(VERBS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Import one verb."""
        if cmd_name not in VERBS:
            return None
        command = importlib.import_module(f"mixwright.cli.{cmd_name}").command
        assert isinstance(command, click.Command)
        return command

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """Suggest the nearest verb for a misspelt one."""
        import difflib

        if args and args[0] not in VERBS and not args[0].startswith("-"):
            near = difflib.get_close_matches(args[0], VERBS, 1)
            hint = f" (help: a command with a similar name exists: {near[0]})" if near else ""
            listed = ", ".join(VERBS)
            ctx.fail(f"unknown command '{args[0]}', expected one of: {listed}{hint}")
        return super().resolve_command(ctx, args)


@click.command(
    cls=LazyGroup,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    epilog="Example: mixwright render mix.yaml --through balance",
)
@click.version_option(__version__, prog_name="mixwright")
def root() -> None:
    """Turn a mix sheet - one YAML file beside a folder of tracks - into a measured stereo mix.

    Start low when you listen: loud playback harms hearing.
    """


def main(arguments: Sequence[str] | None = None) -> None:
    """Run the command line and exit with its status (see the README for what each one means)."""
    sys.exit(run(arguments))


def run(arguments: Sequence[str] | None = None) -> int:
    """Run the command line and return its exit status."""
    try:
        result = root.main(args=arguments, prog_name="mixwright", standalone_mode=False)
        return result if isinstance(result, int) else 0
    except click.exceptions.Exit as stop:
        return stop.exit_code
    except click.UsageError as error:
        said = io.StringIO()
        error.show(said)
        click.echo(visible(said.getvalue(), kept="\n\t"), err=True, nl=False)
        return EXIT_USAGE
    except click.Abort:
        click.echo("interrupted; nothing was left half-written", err=True)
        return EXIT_INTERRUPTED
    except KeyboardInterrupt:
        click.echo("interrupted; nothing was left half-written", err=True)
        return EXIT_INTERRUPTED
    except BrokenPipeError:
        # Whoever read our output has stopped: not a fault. Python must not complain at exit.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except ProblemError as error:
        return show_problems(error)
    except OSError as error:
        if error.errno not in FULL:
            return _own_bug(error)
        reason = os.strerror(error.errno or 0).lower()
        click.echo(f"error: the output can't be written: {reason}", err=True)
        return EXIT_MACHINE
    except MemoryError:
        click.echo("error: the machine ran out of memory", err=True)
        return EXIT_MACHINE
    except Exception as error:  # noqa: BLE001 - the last line: our own bug, said as such
        if _was_interrupted(error):
            click.echo("interrupted; nothing was left half-written", err=True)
            return EXIT_INTERRUPTED
        return _own_bug(error)


def _was_interrupted(error: BaseException) -> bool:
    """Whether an interrupt is behind it: one that comes as a lock is taken leaves it unlocked."""
    cause: BaseException | None = error
    while cause is not None:
        if isinstance(cause, KeyboardInterrupt):
            return True
        cause = cause.__cause__ or cause.__context__
    return False


def show_problems(error: ProblemError) -> int:
    """Print every problem to standard error and return the exit status they call for."""
    from mixwright.report.problems import problem_lines

    for line in problem_lines(error.problems, with_source=sys.stderr.isatty()):
        click.echo(line, err=True)
    machine = any(problem.fault is Fault.MACHINE for problem in error.problems)
    return EXIT_MACHINE if machine else EXIT_USAGE


def _own_bug(error: Exception) -> int:
    import tempfile
    import traceback

    told = f"mixwright {__version__}, Python {sys.version}\n{sys.argv}\n\n"
    told += "".join(traceback.format_exception(error))
    try:
        with tempfile.NamedTemporaryFile(
            "w",
            prefix="mixwright-bug-",
            suffix=".txt",
            delete=False,
            encoding="utf-8",
            errors="backslashreplace",
        ) as report:
            report.write(told)
        where = f"the file {report.name}"
    except OSError:  # nowhere to write to: what there is to report is shown instead
        click.echo(told, err=True)
        where = "what is shown above"
    click.echo(
        f"error: mixwright itself failed ({type(error).__name__}: {visible(str(error))}). "
        "This is a bug in mixwright, not in your sheet.\n"
        f"help: report it with {where} and the sheet",
        err=True,
    )
    return EXIT_OUR_BUG


if __name__ == "__main__":
    main()
