"""`pullcue ports`: the serial ports of this computer."""

from __future__ import annotations

import json
from dataclasses import asdict

import click


@click.command("ports")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
def ports(as_json: bool) -> None:
    """List the serial ports of this computer: what each is, and what holds it.

    No port is opened, since that resets many boards. Its name is what a bench file's url wants.
    """
    from dashboard.serial_ports import ports_seen

    seen = ports_seen()
    if as_json:
        rows = [{**asdict(port), "words": port.words} for port in seen]
        click.echo(json.dumps({"ports": rows}, ensure_ascii=False, indent=1))
        return
    for port in seen:
        details = [port.what, port.maker, port.usb and f"USB {port.usb}", port.serial and f"serial {port.serial}"]
        click.echo(f"{port.name}: {', '.join(filter(None, details)) or 'nothing more is known'}")
        click.echo(f"    {port.words}")
    if not seen:
        click.echo(
            "No serial port is seen. Plug the board in, try another cable (some only charge) and another socket, and "
            "look whether the system asks for a driver."
        )
