"""The group of commands: exit status, folders, near names."""

from __future__ import annotations

import difflib
import gc
import shlex
import sys
import traceback
from collections.abc import Callable
from functools import wraps
from pathlib import Path
from typing import Any

import click

from crossproof import __version__
from crossproof.errors import CrossproofError, InputError, machine_problem

SELDOM = 50_000
"""New objects between two searches for rubbish."""


def example(text: str) -> str:
    return f"\b\nExample:\n  {text}"


def guarded(function: Callable[..., int | None]) -> Callable[..., None]:
    """Exit with the contract's status: 2 for refused input, 3 for an internal error."""

    @wraps(function)
    def call(*args: Any, **kwargs: Any) -> None:
        # A command mostly loads libraries, which stay: rubbish is looked for less often.
        gc.set_threshold(SELDOM)
        from crossproof.runner.terminal import show_fault, show_problems

        try:
            sys.exit(function(*args, **kwargs) or 0)
        except InputError as refused:
            show_problems(refused.problems)
            sys.exit(refused.exit_status)
        except CrossproofError as known:
            click.echo(str(known), err=True)
            sys.exit(known.exit_status)
        except (KeyboardInterrupt, click.exceptions.Abort):
            click.echo("Stopped. Run the same command again to continue.", err=True)
            sys.exit(130)
        except click.ClickException:
            raise
        except BrokenPipeError:
            sys.exit(1)  # whoever read our output has stopped reading
        except OSError as fault:
            if (problem := machine_problem(fault)) is None:
                show_fault(traceback.format_exc())
                sys.exit(3)
            show_problems([problem])
            sys.exit(2)
        except Exception:
            show_fault(traceback.format_exc())
            sys.exit(3)

    return call


class _Season(click.Path):
    """A season folder, or its config.yaml, that is there."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        path = Path(value)
        if not path.exists():
            there = [p.name for p in path.parent.iterdir() if p.is_dir()] if path.parent.is_dir() else []
            near = difflib.get_close_matches(path.name, there, n=1)
            hint = (
                f"Did you mean {path.parent / near[0]}?"
                if near
                else f"Make it with: crossproof new {shlex.quote(str(path))}"
            )
            self.fail(f"There is no folder {str(value)!r}. {hint}", param, ctx)
        return super().convert(value, param, ctx)


FOLDER = _Season(exists=True, path_type=Path)


LIST_FILE = click.Path(exists=True, dir_okay=False, path_type=Path)


class _Commands(click.Group):
    """Names the command that may have been meant."""

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        if args and not args[0].startswith("-") and self.get_command(ctx, args[0]) is None:
            names = self.list_commands(ctx)
            near = difflib.get_close_matches(args[0], names, n=1)
            hint = f"Did you mean {near[0]}?" if near else f"There are: {', '.join(names)}."
            ctx.fail(f"There is no command {args[0]!r}. {hint}")
        return super().resolve_command(ctx, args)


@click.group(cls=_Commands, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="crossproof")
def main() -> None:
    """Which of the seed is truly the cross its tag says?

    Takes genotype calls of parents and progeny, gives every plant a verdict, and joins the verdicts back to
    the crossing records. A season is a folder; `crossproof new` makes one to fill in.

    Exit status: 0 all well; 1 finished, with a genotype file set aside or a plate held; 2 the input was
    refused or changed meanwhile, or the disk is full or cannot be written to; 3 an internal error; 130
    stopped by you, by Ctrl+C or by answering no to a question.
    """
