"""What the commands on records share: where the store is, and how it is opened and refused."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from dashboard.shop import open_shop
from dashboard.store_place import StorePlace, store_place
from thermal.fields import InputError

if TYPE_CHECKING:
    from logger.store import Store

_FOLDER = click.Path(path_type=Path, file_okay=False)
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


def place_of(shop: Path | None, store: str | None, practice: bool) -> StorePlace:
    """The place that these options name.

    Raises:
        InputError: no such shop, or a URL of another kind.
    """
    return store_place(open_shop(shop), store, practice)


@contextmanager
def opened(place: StorePlace, make: bool = False) -> Iterator[Store]:
    """The store at a place, closed at the end.

    Args:
        make: where there is none, make one.

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
        store = open_store(place.url)
        try:
            yield store
        finally:
            store.close()
    except StoreDown as error:
        raise InputError(f"{place.words}: the store cannot be used now ({error}); try again when it can") from error
