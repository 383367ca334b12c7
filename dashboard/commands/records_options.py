"""What the commands on records share: where the store is, and how it is opened and refused."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, nullcontext
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from dashboard.shop import open_shop
from dashboard.store_place import StorePlace, store_place
from dashboard.units import Units
from thermal.fields import InputError

if TYPE_CHECKING:
    from logger.store import Store

_FOLDER = click.Path(path_type=Path, file_okay=False)
#: A file up to this size is looked through in some tenths of a second.
_SMALL_BYTES = 200_000_000
#: From this many things on a bar shows how far it is.
_MANY = 5
_F = TypeVar("_F", bound=Callable[..., Any])


def store_options(command: _F) -> _F:
    """Add --shop, --store and --practice."""
    for option in (
        click.option("--practice", is_flag=True, help="The practice oven's records."),
        click.option(
            "--store", metavar="URL", help="sqlite:///FILE or postgresql+psycopg://...  [default: the shop's]"
        ),
        click.option(
            "--shop", type=click.Path(path_type=Path, file_okay=False), metavar="DIR", help="Folder of the shop."
        ),
    ):
        command = option(command)
    return command


json_option = click.option("--json", "as_json", is_flag=True, help="Print one JSON object, units in the keys.")


def place_of_sub(ctx: click.Context, shop: Path | None, store: str | None, practice: bool) -> StorePlace:
    """The place that the options name here or before the subcommand."""
    above = ctx.parent.params if ctx.parent is not None else {}
    return place_of(shop or above.get("shop"), store or above.get("store"), practice or bool(above.get("practice")))


def units_of_sub(ctx: click.Context, shop: Path | None, units: str | None = None) -> Units:
    """The units asked for, else those of the shop that is named here or before the subcommand."""
    above = ctx.parent.params if ctx.parent is not None else {}
    return Units("us" if (units or open_shop(shop or above.get("shop")).units) == "us" else "metric")


def number_of(text: str) -> int:
    """The number of a heat: 12 or #12.

    Raises:
        InputError: it is none.
    """
    plain = text.removeprefix("#")
    if not (plain.isascii() and plain.isdecimal() and 0 < len(plain) < 10 and int(plain) > 0):
        raise InputError(f"{text[:40]!r} is no number of a heat: expected one that 'pullcue heats' lists, as 12")
    return int(plain)


def place_of(shop: Path | None, store: str | None, practice: bool) -> StorePlace:
    """The place that these options name.

    Raises:
        InputError: no such shop, or a URL of another kind.
    """
    return store_place(open_shop(shop), store, practice)


def bar(things: Sequence[Any], label: str) -> Any:
    """A context whose value goes through the things, with a bar on a terminal where they are many."""
    seen = len(things) >= _MANY and sys.stderr.isatty()
    return click.progressbar(things, label=label, file=sys.stderr) if seen else nullcontext(things)


@contextmanager
def verifying() -> Iterator[Callable[[int, int], None] | None]:
    """A bar on a terminal for the verifying of a chain, whose length is known once it has begun."""
    if not sys.stderr.isatty():
        yield None
        return
    with click.progressbar(length=1, label="Verifying", file=sys.stderr) as bar:

        def seen(done: int, total: int) -> None:
            bar.length = total
            bar.update(done - bar.pos)

        yield seen


@contextmanager
def opened(place: StorePlace, make: bool = False, whole: bool = False) -> Iterator[Store]:
    """The store at a place, closed at the end.

    Args:
        make: where there is none, make one. whole: look a large file through for damage first, too, which takes a
        second and more for each gigabyte; what only reads some heats meets damage where it reads.

    Raises:
        InputError: there is none, or it cannot be used now.
    """
    from logger.records import StoreDown
    from logger.store import open_store

    if make:
        place.make()
    else:
        place.must_exist()
    try:
        size = place.file.stat().st_size if place.file is not None and place.file.exists() else 0
        store = open_store(place.url, check=whole or size <= _SMALL_BYTES)
        try:
            yield store
        finally:
            store.close()
    except StoreDown as error:
        raise InputError(f"{place.words}: the store cannot be used now ({error}); try again when it can") from error
