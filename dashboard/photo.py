"""A photo of a sheet's label as somebody brings it: only what is a picture, can be shown, and is not too large."""

from __future__ import annotations

from io import BytesIO
from pathlib import Path
from warnings import catch_warnings, simplefilter

from logger.heatfile import file_content
from logger.records import Attachment
from thermal.fields import InputError

#: A phone's photo has some 5 MB and 12 to 50 million pixels.
LARGEST_BYTES, MOST_PIXELS = 20_000_000, 80_000_000
#: Formats that every browser shows, and how Pillow calls them.
_FORMATS = {"image/jpeg": ("JPEG", ".jpg"), "image/png": ("PNG", ".png"), "image/webp": ("WEBP", ".webp")}
_EXPECTED = "a photo as JPEG, PNG or WebP"


def media_type_of(content: bytes) -> str | None:
    """'image/jpeg', 'image/png' or 'image/webp' by the first bytes; None for anything else.

    JPEG: ITU-T T.81, annex B, the marker SOI and the next one. PNG: ISO/IEC 15948, 5.2. WebP: RFC 9649, section 2.4.
    """
    if content[:3] == b"\xff\xd8\xff":
        return "image/jpeg"
    if content[:8] == b"\x89PNG\r\n\x1a\n":
        return "image/png"
    return "image/webp" if content[:4] == b"RIFF" and content[8:12] == b"WEBP" else None


def photo_content(path: Path) -> tuple[str, bytes]:
    """Media type and content of a photo's file.

    Raises:
        InputError: it is too large, no picture of these kinds, or one that cannot be shown (cut short, damaged).
    """
    if path.is_file() and path.stat().st_size > LARGEST_BYTES:
        raise InputError(f"{path}: {path.stat().st_size / 1e6:.0f} MB: expected at most {LARGEST_BYTES // 10**6} MB; "
                         "take the photo smaller")  # fmt: skip
    if not path.is_file():
        what = "this is a folder" if path.is_dir() else "there is no such file"
        raise InputError(f"{path}: {what}: expected {_EXPECTED}; check the name")
    content = file_content(path, str(path))
    return checked_photo(content, str(path)), content


def checked_photo(content: bytes, name: str) -> str:
    """Media type of a photo's content, by what is in it: a name says nothing.

    Raises:
        InputError: as `photo_content`.
    """
    if len(content) > LARGEST_BYTES:
        raise InputError(f"{name}: {len(content) / 1e6:.0f} MB: expected at most {LARGEST_BYTES // 10**6} MB; "
                         "take the photo smaller")  # fmt: skip
    media_type = media_type_of(content)
    if media_type is None:
        advice = "set the camera to JPEG, or save it as that"
        raise InputError(f"{name}: this is no photo that can be kept: expected {_EXPECTED}; {advice}")
    _refuse_unshowable(name, content, _FORMATS[media_type][0])
    return media_type


def shown_small(content: bytes, longest_px: int, grey: bool = False) -> bytes | None:
    """A photo as a JPEG of at most so many pixels a side, without what the camera wrote into it; None: it cannot be
    shown.
    """
    from PIL import Image, ImageOps

    try:
        with Image.open(BytesIO(content)) as picture:
            small = ImageOps.exif_transpose(picture).convert("L" if grey else "RGB")
            small.thumbnail((longest_px, longest_px))
            out = BytesIO()
            small.save(out, "JPEG", quality=80)
    except (OSError, ValueError, SyntaxError, Image.DecompressionBombError):
        return None
    return out.getvalue()


def _refuse_unshowable(name: str, content: bytes, kind: str) -> None:
    from PIL import Image  # only here: it takes a while to import

    large = f"{name}: expected a picture of at most {MOST_PIXELS // 10**6} million pixels; take the photo smaller"
    try:
        with catch_warnings():
            simplefilter("error", Image.DecompressionBombWarning)
            with Image.open(BytesIO(content), formats=[kind]) as picture:
                few = picture.width * picture.height <= MOST_PIXELS
                if few:
                    picture.load()
    except (Image.DecompressionBombWarning, Image.DecompressionBombError):
        raise InputError(large) from None
    except Exception as error:  # whatever a decoder says of bytes that are none of its own
        raise InputError(
            f"{name}: the picture cannot be shown ({error}): the file is damaged or cut short; take it again"
        ) from None
    if not few:
        raise InputError(large)


def extension_of(one: Attachment) -> str:
    """How a file with this content is called at its end."""
    return _FORMATS[one.media_type][1]
