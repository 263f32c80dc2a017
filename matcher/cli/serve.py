"""`platekin serve`: the page and the HTTP service, on this machine only unless told otherwise."""

from __future__ import annotations

import socket
from pathlib import Path
from typing import Annotated

import typer

from matcher.catalogue import Catalogue
from matcher.cli.options import CatalogueOption, QuietOption
from matcher.cli.output import messages

LOOPBACK = ("localhost", "127.0.0.1", "::1")


def serve(
    catalogue: CatalogueOption,
    host: Annotated[str, typer.Option(help="Address to listen on.")] = "127.0.0.1",
    port: Annotated[int, typer.Option(min=0, max=65535, help="Port to listen on.")] = 8760,
    workers: Annotated[int | None, typer.Option(min=1, help="Processes that identify.")] = None,
    scans: Annotated[
        Path | None, typer.Option(exists=True, file_okay=False, help="Folder whose scans may be taken as lots.")
    ] = None,
    certificate: Annotated[
        Path | None, typer.Option(exists=True, dir_okay=False, help="TLS certificate with its chain, PEM.")
    ] = None,
    key: Annotated[Path | None, typer.Option(exists=True, dir_okay=False, help="Its private key, PEM.")] = None,
    behind_proxy: Annotated[
        bool, typer.Option("--behind-proxy", help="A proxy in front speaks TLS to everybody else.")
    ] = False,
    quiet: QuietOption = False,
) -> None:
    """Show the page in a browser, and answer programs over HTTP."""
    from api.app import create_app  # here and not above: no other command should wait for the web framework
    from api.server import Listening, run
    from api.settings import ServiceSettings

    _check_secrecy(host, certificate, key, behind_proxy)
    with Catalogue.open(catalogue):  # a wrong folder is told now, not at the first request
        pass
    if not _is_free(host, port):
        raise typer.BadParameter(f"{host}:{port} is taken or not this machine's; name another", param_hint="--port")
    # On loopback only loopback's names are answered to: a web page elsewhere must not reach it by a name of its own.
    hosts = LOOPBACK if host in LOOPBACK and not behind_proxy else ()
    settings = ServiceSettings(catalogue=catalogue, allowed_hosts=hosts, tokens_needed=not hosts)
    settings = settings.model_copy(update={"scans": scans}) if scans else settings
    app = create_app(settings.model_copy(update={"workers": workers}) if workers else settings)
    if not quiet and not hosts:
        messages.print("it can be reached from elsewhere: every request needs a token (platekin tokens make NAME)")
    if not quiet:
        messages.print(
            f"open http{'s' if certificate else ''}://{host}:{port}/ in a browser; programs are answered under /v1 "
            "(described by /openapi.json); Ctrl-C stops it"
        )
    run(app, Listening(host, port, certificate, key, behind_proxy, quiet))


def _check_secrecy(host: str, certificate: Path | None, key: Path | None, behind_proxy: bool) -> None:
    """Beyond this machine tokens must not travel in clear text. Raises BadParameter."""
    if (certificate is None) != (key is None):
        raise typer.BadParameter("a certificate and its key go together: name both", param_hint="--certificate, --key")
    if host not in LOOPBACK and certificate is None and not behind_proxy:
        raise typer.BadParameter(
            f"{host} is reached by other machines, and without TLS everybody on the way reads tokens and photos; name "
            "--certificate and --key, or say --behind-proxy where a proxy in front speaks TLS",
            param_hint="--host",
        )


def _is_free(host: str, port: int) -> bool:
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    with socket.socket(family, socket.SOCK_STREAM) as probe:
        # As the server will: a port that has just been given up counts as free.
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((host, port))
        except OSError:
            return False
    return True
