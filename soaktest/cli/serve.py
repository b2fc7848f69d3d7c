"""The bench's page as a command: collector, page, and the embedded broker unless another is named."""

from __future__ import annotations

import contextlib
import logging
import os
from typing import Annotated

import typer

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
    """Serve the bench's page, and collect what nodes publish, until Ctrl-C.

    On this machine alone no password is needed; it listens elsewhere only once one is set
    (soaktest set-password). The embedded broker is started unless SOAKTEST_BROKER names another.

    Example: soaktest set-password; soaktest serve --host 0.0.0.0
    """
    from soaktest.errors import InputError

    try:
        import uvicorn

        from soaktest.web.app import create_app
    except ModuleNotFoundError as exc:
        raise InputError(f"the page needs {exc.name}: pip install 'soaktest[web]'") from exc
    from soaktest.broker import EmbeddedBroker
    from soaktest.collector import Collector
    from soaktest.errors import BrokerError
    from soaktest.journal import open_journal
    from soaktest.mqtt_client import new_client
    from soaktest.password import password_check
    from soaktest.settings import read_settings

    logging.basicConfig(format="soaktest: %(message)s")
    settings = read_settings()
    opens = password_check(settings.data, os.environ.get("SOAKTEST_PASSWORD"))
    if opens is None and host not in LOOPBACK:
        raise InputError(f"{host} is more than this machine: set a password first (soaktest set-password).")
    _refuse_taken(host, port)
    with contextlib.ExitStack() as stack:
        journal = open_journal(settings.database)
        stack.callback(journal.close)
        address = settings.broker or stack.enter_context(EmbeddedBroker(host, broker_port)).address
        stack.enter_context(Collector(journal, address, settings.client_id))
        teller = new_client(address)
        try:
            teller.connect(address.host, address.port)
        except OSError as exc:
            raise BrokerError(f"no broker at {address} ({exc}). Mend SOAKTEST_BROKER.") from exc
        teller.loop_start()
        stack.callback(teller.loop_stop)
        app = create_app(
            journal,
            lambda topic, payload: void(teller.publish(topic, payload, qos=1, retain=True)),
            opens,
            ["127.0.0.1", "localhost", "[::1]", "testserver"] if host in LOOPBACK else None,
        )
        shown = "127.0.0.1" if host in ("0.0.0.0", "::") else host  # noqa: S104
        print(f"The bench's page: http://{shown}:{port}/", flush=True)
        print(f"Nodes publish to {address}. Stop with Ctrl-C.", flush=True)
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
    """Set the page's password; only its Argon2 hash is kept."""
    from soaktest.password import set_password as keep
    from soaktest.settings import read_settings

    print(f"Kept: {keep(read_settings().data, password)}. The next soaktest serve asks for it.")


def void(_answer: object) -> None:
    """Throw an answer away."""


def _refuse_taken(host: str, port: int) -> None:
    import socket

    from soaktest.errors import InputError

    with socket.socket(socket.AF_INET6 if ":" in host else socket.AF_INET) as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((host, port))
        except OSError as exc:
            raise InputError(
                f"port {port} on {host} cannot be listened on ({exc.strerror}). Choose another with --port."
            ) from exc
