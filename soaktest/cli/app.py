"""The door: every error of ours becomes one line on standard error and exit status 2."""

from __future__ import annotations

import os
import sys
from typing import Annotated

import typer

from soaktest import __version__
from soaktest.cli import certificates, demo, drips, files, judge, learn, listen, nodes, runs, serve, units

app = typer.Typer(
    name="soaktest",
    no_args_is_help=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
    help="Soak-test bench for repaired washing machines: see the leak, rank the suspects, prove the repair.\n\n"
    "Begin with: soaktest demo",
    epilog="Mains and water: unplug before opening, isolate the tap, keep a residual-current device on the bench "
    "supply. A leak-free run is not an electrical safety test; local codes and licensed practice decide.",
)
app.command("demo")(demo.demo)
app.command("judge")(judge.judge)
app.add_typer(runs.app, name="run", help="Begin, watch, end, list and show runs.")
app.add_typer(units.app, name="unit", help="Units and their stories: take in, write, find, show.")
app.add_typer(learn.app, name="learn", help="What repairs and comebacks teach.")
app.command("certify")(certificates.certify)
app.command("verify")(certificates.verify)
app.add_typer(certificates.app, name="certificate", help="List, print, revoke and publish certificates.")
app.add_typer(certificates.key, name="key", help="Keys that sign certificates.")
app.add_typer(drips.app, name="drip", help="How little water a bench shows.")
app.command("record")(files.record)
app.command("replay")(files.replay)
app.command("serve")(serve.serve)
app.command("set-password")(serve.set_password)
app.command("collect")(listen.collect)
app.command("set-aside")(listen.set_aside)
app.command("check-node")(nodes.check_node)
app.command("calibrate")(nodes.calibrate)
app.command("plans")(files.plans)
app.command("layouts")(files.layouts)


def _version(wanted: bool) -> None:
    if wanted:
        print(f"soaktest {__version__}")
        raise typer.Exit


@app.callback()
def _root(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Show the version.")
    ] = False,
) -> None:
    pass


def main() -> None:
    """Run the command line."""
    from soaktest.errors import SoaktestError

    try:
        app()
    except SoaktestError as exc:
        _leave(str(exc))
    except KeyboardInterrupt:
        _leave("stopped")
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(2)
    except ModuleNotFoundError as exc:
        _leave(_extra_for(exc.name or ""))
    except MemoryError:
        _leave("there is not enough memory for that. Close other programs, or give a smaller file.")
    except UnicodeEncodeError:
        _leave("something given is no UTF-8 text. Type it anew.")
    except OSError as exc:
        _leave(
            f"{exc.filename or ''}: {exc.strerror or exc}. Check the path, its permissions and the free space."
        )
    except Exception as exc:  # a fault of ours: one line, and never the exit status of a verdict
        if os.environ.get("SOAKTEST_TRACE"):
            raise
        _leave(
            f"a fault of this program ({type(exc).__name__}: {exc}). SOAKTEST_TRACE=1 shows where; please report it."
        )


EXTRAS = {
    "certificate": ("joserfc", "pypdf", "segno", "typst"),
    "web": ("argon2", "fastapi", "itsdangerous", "PIL", "pyarrow", "multipart", "uvicorn"),
    "workshop": ("lifelines",),
    "postgres": ("psycopg",),
}


def _extra_for(module: str) -> str:
    """Which part of the installation is missing."""
    top = module.split(".", maxsplit=1)[0]
    extra = next((name for name, modules in EXTRAS.items() if top in modules), None)
    what = f"pip install '.[{extra}]' in the project's folder" if extra else f"pip install {top}"
    return f"this needs {top}, which is not installed: {what}."


def _leave(said: str) -> None:
    print("soaktest: " + " ".join(said.split()), file=sys.stderr)
    sys.exit(2)
