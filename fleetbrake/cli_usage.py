"""Errors of usage: what was typed is told again, and must not steer the terminal that shows it."""

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from typer.core import TyperGroup

from fleetbrake.core.foreign_text import MOST_SENTENCE, shortened, visible


class Commands(TyperGroup):
    """The program's commands, whose errors of usage are made fit to be shown."""

    def make_context(self, *given: Any, **extra: Any) -> Any:
        """As of any group of commands."""
        with _fit_to_be_shown():
            return super().make_context(*given, **extra)

    def invoke(self, ctx: Any) -> Any:
        """As of any group of commands."""
        with _fit_to_be_shown():
            return super().invoke(ctx)


@contextmanager
def _fit_to_be_shown() -> Iterator[None]:
    """Change the sentence of an error of usage on its way out; such errors have a ``message``, others have none."""
    try:
        yield
    except Exception as error:
        if isinstance(getattr(error, "message", None), str):
            error.message = visible(shortened(error.message, MOST_SENTENCE))  # type: ignore[attr-defined]
        raise
