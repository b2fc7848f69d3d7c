"""The bench's page as a command: collector, page, and the embedded broker unless another is named."""

from __future__ import annotations

import os
import socket
from typing import Annotated

import typer

from soaktest.cli.listen import collecting

LOOPBACK = ("127.0.0.1", "localhost", "::1")


def serve(
    host: Annotated[
        str,
        typer.Option(
            help="Where page and embedded broker listen; tablets and nodes need more than loopback."
        ),
    ] = "127.0.0.1",
    port: Annotated[int, typer.Option(min=1, max=65535, help="Port of the page.")] = 8417,
    broker_port: Annotated[int, typer.Option(min=1, max=65535, help="Port of the embedded broker.")] = 1883,
) -> None:
    """Serve the bench's page, and collect, until Ctrl-C.

    On this machine alone no password is needed; it listens elsewhere only once one is set
    (soaktest set-password). The embedded broker is started unless SOAKTEST_BROKER names another.

    Example: soaktest set-password; soaktest serve --host 0.0.0.0
    """
    from soaktest.errors import InputError

    try:
        import uvicorn

        from soaktest.web.app import create_app
    except ModuleNotFoundError as exc:
        raise InputError(f"the page needs {exc.name}: pip install '.[web]' in the project's folder.") from exc
    from soaktest.broker import refuse_taken
    from soaktest.password import password_check
    from soaktest.settings import BrokerAddress, keys_folder, read_settings

    opens = password_check(read_settings().data, os.environ.get("SOAKTEST_PASSWORD"))
    if opens is None and host not in LOOPBACK:
        raise InputError(f"{host} is more than this machine: set a password first (soaktest set-password).")
    refuse_taken(BrokerAddress(host, port), "--port")
    with collecting(host, broker_port) as (journal, address, _, publish):
        hosts = ["127.0.0.1", "localhost", "[::1]"] if host in LOOPBACK else None
        shown = socket.gethostname() if host in ("0.0.0.0", "::") else host  # noqa: S104
        own = read_settings().broker is None and shown != host
        at = f"mqtt://{shown}:{address.port}" if own else str(address)
        app = create_app(journal, publish, opens, hosts, keys_folder(), at)
        print(f"The bench's page: http://{shown}:{port}/", flush=True)
        else_at = " (or this machine's address)" if own else ""
        print(f"Nodes publish to {at}{else_at}. Stop with Ctrl-C.", flush=True)
        if host not in LOOPBACK:
            print(
                "It listens beyond this machine, without encryption: keep it on the workshop's own network.",
                flush=True,
            )
        uvicorn.run(app, host=host, port=port, log_level="warning", timeout_graceful_shutdown=2)


def set_password(
    password: Annotated[
        str,
        typer.Option(
            envvar="SOAKTEST_PASSWORD",
            prompt="New password of the page (8 characters or more)",
            hide_input=True,
            confirmation_prompt=True,
        ),
    ],
) -> None:
    """Set the page's password; only its Argon2 hash is kept.

    Example: soaktest set-password
    """
    from soaktest.password import set_password as keep
    from soaktest.settings import read_settings

    print(f"Kept: {keep(read_settings().data, password)}. The next soaktest serve asks for it.")
