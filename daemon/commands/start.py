"""Start the daemon and the dashboard."""

import re
from collections.abc import Iterator
from contextlib import contextmanager, nullcontext, suppress
from ipaddress import ip_address
from pathlib import Path

import click

from config import load
from daemon.commands.opened import home_here
from daemon.commands.options import FILE, PORT
from daemon.commands.showing import misuse, say
from daemon.service import (
    CODE,
    HandsError,
    Home,
    Network,
    StartError,
    child,
    claimed,
    dashboard_command,
    hands_of,
    make_way,
    moved,
    new_code,
    note_planted,
    plant_again,
    shared_daemon,
    simulated_bench,
)

DASHBOARD_PORT = 8540
SEED, FEWEST = 1, 4
"""Of a bench that is played: which units it draws; units of a story, of which it has
none."""


@click.command()
@click.option(
    "--no-bench", is_flag=True, help="Keep the records only; no instrument is opened."
)
@click.option(
    "--port",
    type=click.IntRange(0, 65535),
    default=0,
    help="Port on this machine; left out, any free one.",
)
@click.option(
    "--simulated",
    is_flag=True,
    help="Play the bench of bench.toml and units of your product on this machine.",
)
@click.option("--used-by", type=int, hidden=True)
def daemon(*, no_bench: bool, port: int, simulated: bool, used_by: int | None) -> None:
    """Keep the records and measure until stopped.

    Owns the records, and answers screens and commands.
    """
    home = home_here()
    say(
        f"Holdpoint measures for {home.folder}; stop it with Ctrl-C. The very first "
        "start prepares the statistics: a minute or more."
    )
    if simulated and no_bench:
        misuse("--simulated plays a bench; --no-bench opens none.")
    # A folder that is none of ours is left as it is; to read ours takes a second.
    ours = (home.folder / "product.toml").exists()
    if ours and not no_bench:
        make_way(home)
    with claimed(home) if ours else nullcontext():
        moved.require_here(home)
        load(home.folder)
        _keep_and_measure(
            home, no_bench=no_bench, port=port, simulated=simulated, used_by=used_by
        )
    say("Stopped; the source is off.")


def _keep_and_measure(
    home: Home, *, no_bench: bool, port: int, simulated: bool, used_by: int | None
) -> None:
    from daemon.service import run  # noqa: PLC0415 -- only this command needs it all
    from storage import BusyError  # noqa: PLC0415 -- as above

    try:
        with _played(home) if simulated else nullcontext():
            run(home, with_bench=not no_bench, port=port, used_by=used_by, announce=say)
    except BusyError as exc:
        message = (
            f"{exc}: another daemon, or a command that still works. End it, then start "
            "the daemon again."
        )
        raise StartError(message) from exc


@contextmanager
def _played(home: Home) -> Iterator[None]:
    """Play the bench of a home's settings at the addresses that they name.

    Raises
    ------
    StartError
        There is no bench, it is not on this machine, or it cannot be played.
    """
    bench = load(home.folder).bench
    if bench is None:
        message = (
            "bench.toml describes no bench to play; `holdpoint init` writes a "
            "simulated one"
        )
        raise StartError(message)
    options = ["--story", "none"]
    for role, one in bench.instruments.items():
        played = re.fullmatch(r"TCPIP\d*::127\.0\.0\.1::(\d+)::SOCKET", one.address)
        if played is None:
            message = (
                f"{role} is at {one.address}: only a bench on this machine can be "
                "played, such as TCPIP::127.0.0.1::5125::SOCKET"
            )
            raise StartError(message)
        options += ["--port", f"{role}={played[1]}"]
    from daemon.presentation import planted  # noqa: PLC0415 -- only this needs it

    titles = {key: one.title for key, one in load(home.folder).product.ranges.items()}
    with simulated_bench(home, seed=SEED, units=FEWEST, options=options):
        say("The bench is simulated: nothing is powered, and no unit is real.")
        if (hands := hands_of(home)) is not None:
            with hands, suppress(HandsError):
                for fault in plant_again(home, hands):
                    said = planted(fault, titles.get(str(fault["range"]), ""))
                    say(f"Still there from before this start. {said}")
        try:
            yield
        finally:
            if (hands := hands_of(home)) is not None:
                with hands, suppress(HandsError):
                    note_planted(home, hands.planted())


@click.command()
@click.option("--port", type=PORT, default=DASHBOARD_PORT, show_default=True)
@click.option("--open/--no-open", "browse", default=True, help="Open a browser.")
@click.option(
    "--network",
    "address",
    help="Show them at this address of this machine, to a phone on the local network; "
    "left out, to this machine alone.",
)
@click.option("--certificate", type=FILE, help="For an encrypted line on the network.")
@click.option("--key", type=FILE, help="The certificate's key.")
def dashboard(
    *,
    port: int,
    browse: bool,
    address: str | None,
    certificate: Path | None,
    key: Path | None,
) -> None:
    """Show the screens in a browser.

    Who looks needs the code that is printed, another at each start. Where no daemon
    runs, one is started without a bench.
    """
    network = _network(address, certificate, key)
    home = home_here()
    code = new_code()
    with shared_daemon(home, needs_this=False) as records:
        records.wait()
        log = home.data / "dashboard.log"
        command = dashboard_command(port=port, browse=browse, network=network)
        with child(command, home, log=log, more={CODE: code}) as screens:
            say(
                f"Dashboard at {_url(port, network)}/?code={code}; stop it with Ctrl-C."
            )
            if network is not None and network.certificate is None:
                from daemon.presentation import screens as words  # noqa: PLC0415 -- seldom

                say(words.READ_ALONG)
            if screens.wait() != 0:
                message = f"the dashboard did not start; {log} says why"
                raise StartError(message)


def _network(
    address: str | None, certificate: Path | None, key: Path | None
) -> Network | None:
    """Return where the screens are shown beside this machine, None: nowhere."""
    if address is None:
        if certificate is not None or key is not None:
            misuse("--certificate and --key go with --network")
        return None
    try:
        said = ip_address(address)
    except ValueError:
        misuse(f"--network is {address!r}; it must be an address such as 192.168.1.20")
    if said.is_unspecified or said.is_multicast or said.is_global:
        misuse(
            f"--network is {address}; it must be this machine's own address in a local "
            "network"
        )
    if (certificate is None) != (key is None):
        misuse("--certificate and --key go together")
    return Network(address=str(said), certificate=certificate, key=key)


def _url(port: int, network: Network | None) -> str:
    if network is None:
        return f"http://127.0.0.1:{port}"
    host = f"[{network.address}]" if ":" in network.address else network.address
    scheme = "http" if network.certificate is None else "https"
    return f"{scheme}://{host}:{port}"
