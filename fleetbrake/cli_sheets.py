"""Commands that print one sheet: for the workshop, for a talk with a driver."""

import typer


def add_commands(app: typer.Typer) -> None:
    """Register the commands."""
