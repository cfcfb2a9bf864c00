"""Commands that keep a store within its rules."""

import typer


def add_commands(app: typer.Typer) -> None:
    """Register the commands."""
