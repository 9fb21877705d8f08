"""``econmodel dashboard``: start the dashboard on this computer, with nothing asked and nothing sent."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import click

from econmodel.errors import AnalysisError

ADDRESS = "127.0.0.1"
TRIED = 50


@click.command()
@click.option(
    "--port",
    type=click.IntRange(1024, 65_535),
    default=8501,
    show_default=True,
    metavar="N",
    help="Port here; if taken, the next free one.",
)
def dashboard(port: int) -> None:
    """Start the dashboard, on this computer only."""
    run_dashboard(port)


def run_dashboard(port: int = 8501) -> None:
    """Start the dashboard and stay until it is stopped.

    Parameters
    ----------
    port
        First port tried.

    Raises
    ------
    AnalysisError
        No port is free, or the dashboard's files are not there.
    """
    from econmodel.package import app_file

    app = app_file()
    if not app.exists():
        what = f"{app} is not there: the dashboard's entry point"
        raise AnalysisError(what, fix="install econmodel again")
    chosen = free_port(port)
    warm_up()
    sys.stdout.write(f"Dashboard: http://{ADDRESS}:{chosen}  (Ctrl+C stops it)\n")
    sys.stdout.flush()
    start(app, chosen)


def start(app: Path, port: int) -> None:
    """Hand over to the web server; its settings are those of the project, wherever the command is run."""
    from streamlit.web import cli

    settings = {**read_settings(app.parent), "server.port": port, "server.address": ADDRESS}
    flags = [f"--{name}={str(value).lower() if isinstance(value, bool) else value}" for name, value in settings.items()]
    cli.main(["run", str(app), *flags], standalone_mode=False)


def read_settings(folder: Path) -> dict[str, Any]:
    """Read the project's settings of the web server, as ``section.name``."""
    import tomllib

    file = folder / ".streamlit" / "config.toml"
    read = tomllib.loads(file.read_text(encoding="utf-8"))
    return {f"{section}.{name}": value for section, values in read.items() for name, value in values.items()}


def free_port(first: int) -> int:
    """Find a free port, from ``first`` upwards.

    Raises
    ------
    AnalysisError
        None of the ports tried is free.
    """
    import socket

    for port in range(first, min(first + TRIED, 65_536)):
        with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as tried:
            tried.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            try:
                tried.bind((ADDRESS, port))
            except OSError:
                continue
            return port
    what = f"no port from {first} to {first + TRIED - 1} is free"
    raise AnalysisError(what, where="--port", fix="name another with --port, from 1024 to 65535")


def warm_up() -> None:
    """Load what the first page needs before anyone waits for it."""
    import logging

    # The library warns that no page is open yet, which is the point here.
    logging.disable(logging.WARNING)
    try:
        from econmodel.interfaces.dashboard import shell

        shell.warm_up()
    finally:
        logging.disable(logging.NOTSET)
