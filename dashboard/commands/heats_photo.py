"""`pullcue heats photo`: photos of a sheet's label, kept with a heat and given back."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from dashboard.commands.records_options import json_option, number_of, opened, place_of_sub, store_options
from thermal.fields import InputError

if TYPE_CHECKING:
    from logger.records import Attachment


@click.command("photo")
@click.argument("number", metavar="NUMBER")
@click.argument("files", metavar="[FILE]...", nargs=-1, type=click.Path(path_type=Path))
@click.option("--to", type=click.Path(path_type=Path), metavar="FOLDER", help="Write the heat's photos into it.")
@store_options
@json_option
@click.pass_context
def photo(
    ctx: click.Context, number: str, files: tuple[Path, ...], to: Path | None, as_json: bool, shop: Path | None,
    store: str | None, practice: bool,
) -> None:  # fmt: skip
    """Keep photos of the sheet's label with heat NUMBER: JPEG, PNG or WebP, at most 20 MB each.

    Each is kept byte for byte, the same one once, and cannot be taken out again: no patient, no name in the picture.
    With --to they are written into a folder, over no other file. Without FILE and --to they are listed.
    """
    from dashboard.photo import extension_of, photo_content
    from dashboard.stored import is_photo

    if files and to is not None:
        raise InputError("photo: expected either files to keep, or --to FOLDER to write those that are kept")
    if to is not None and not to.is_dir():
        raise InputError(f"--to {to}: expected a folder; make it first")
    # All are looked at before the first is kept.
    taken = [(path.name, *photo_content(path)) for path in files]
    told: list[dict[str, Any]] = []
    with opened(place_of_sub(ctx, shop, store, practice)) as kept:
        record = kept.heat(number_of(number))
        there = [one for one in kept.attachments(record.id) if is_photo(one)]
        contents = {one.content for one in there}
        for name, media_type, content in taken:
            new = content not in contents
            if new:
                contents.add(content)
                kept.attach(record.id, name, content, media_type)
            told.append({"name": name, "media_type": media_type, "bytes": len(content), "new": new})
    if to is not None:
        told = [_written(one, to, f"heat-{record.number:04d}-photo-{one.id[:8]}{extension_of(one)}") for one in there]
    elif not files:
        told = [{"name": one.name, "media_type": one.media_type, "bytes": len(one.content)} for one in there]
    if as_json:
        click.echo(json.dumps({"number": record.number, "photos": told}, ensure_ascii=False, indent=1))
        return
    for line in told:
        click.echo(_words(record.number, line))
    if not told:
        click.echo(f"Heat {record.number}: no photo is kept with it.")


def _written(one: Attachment, to: Path, name: str) -> dict[str, Any]:
    from logger.heatfile import write_new

    write_new(one.content, to / name)
    return {"name": one.name, "media_type": one.media_type, "bytes": len(one.content), "file": str(to / name)}


def _words(number: int, told: dict[str, Any]) -> str:
    from dashboard.heat_form import one_line

    what = f"Heat {number}: {one_line(told['name'])}, {told['media_type']}, {told['bytes'] / 1e6:.2f} MB"
    if "file" in told:
        return f"{what}, written to {told['file']}"
    return what + {True: ", is kept now", False: ", was kept already", None: ""}[told.get("new")]
