"""`spreadcheck analyse SHEET`."""

import click


@click.command()
def analyse() -> None:
    """From a tray sheet to the effective width, the CV and what the field gets."""
