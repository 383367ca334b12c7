"""A second of samples as bytes, and back, to the last bit.

Layout, little-endian: version (1 byte, now 1), number of columns (uint16), number of rows (uint32), offsets in ms
(int32, rows), values (float64, rows x columns), states (uint8, rows x columns), CRC-32 of all before (uint32). The
checksum is there because a database does not notice a flipped bit inside a value it keeps.
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from logger.records import NOT_SAMPLED, Block, Samples

VERSION = 1
_HEAD = struct.Struct("<BHI")
_CRC = struct.Struct("<I")


#: (second, utc_ms, columns, bytes) of a block.
Part = tuple[int, int, tuple[str, ...], bytes]


class DamagedBlock(ValueError):
    """The bytes are not what was written."""


def packed(block: Block) -> bytes:
    """The arrays of a block as bytes."""
    rows, columns = block.values.shape
    body = b"".join(
        (
            _HEAD.pack(VERSION, columns, rows),
            block.offsets_ms.astype("<i4", copy=False).tobytes(),
            block.values.astype("<f8", copy=False).tobytes(),
            block.states.tobytes(),
        )
    )
    return body + _CRC.pack(zlib.crc32(body))


def _checked_shape(data: bytes) -> tuple[int, int]:
    """Rows and columns.

    Raises:
        DamagedBlock: for another length, version or checksum.
    """
    if len(data) < _HEAD.size + _CRC.size:
        raise DamagedBlock(f"{len(data)} bytes: cut short")
    version, columns, rows = _HEAD.unpack_from(data)
    if zlib.crc32(memoryview(data)[: -_CRC.size]) != _CRC.unpack_from(data, len(data) - _CRC.size)[0]:
        raise DamagedBlock("wrong checksum")
    if version != VERSION:
        raise DamagedBlock(f"version {version}: only {VERSION} is known")
    if len(data) != _HEAD.size + rows * (4 + 9 * columns) + _CRC.size:
        raise DamagedBlock(f"{len(data)} bytes for {rows} rows of {columns} columns")
    return rows, columns


def unpacked(data: bytes) -> tuple[NDArray[np.int32], NDArray[np.float64], NDArray[np.uint8]]:
    """Offsets, values and states; read-only views of the bytes.

    Raises:
        DamagedBlock: when the bytes are not what was written.
    """
    rows, columns = _checked_shape(data)
    at = _HEAD.size
    offsets = np.frombuffer(data, "<i4", rows, at)
    values = np.frombuffer(data, "<f8", rows * columns, at + 4 * rows).reshape(rows, columns)
    states = np.frombuffer(data, np.uint8, rows * columns, at + 4 * rows + 8 * rows * columns).reshape(rows, columns)
    return offsets, values, states


def _record_type(rows: int, columns: int) -> np.dtype[np.void]:
    """The layout of a second as one record: many seconds of one shape are read at once."""
    return np.dtype(
        [
            ("head", np.uint8, (_HEAD.size,)),
            ("offsets", "<i4", (rows,)),
            ("values", "<f8", (rows, columns)),
            ("states", np.uint8, (rows, columns)),
            ("crc", "<u4"),
        ]
    )


def _records(parts: Sequence[Part]) -> NDArray[np.void]:
    """Seconds of one length and one set of columns as an array of records, shape (seconds,).

    Raises:
        DamagedBlock: when the bytes of one are not what was written; the message begins with its second.
    """
    for second, _, names, data in parts:
        try:
            _, columns = _checked_shape(data)
        except DamagedBlock as error:
            raise DamagedBlock(f"second {second}: {error}") from None
        if columns != len(names):
            raise DamagedBlock(f"second {second}: {columns} columns for {len(names)} names")
    return np.frombuffer(b"".join([part[3] for part in parts]), _record_type(*_checked_shape(parts[0][3])))


def _groups(parts: Sequence[Part]) -> list[Sequence[Part]]:
    """Neighbours of one length and one set of columns together."""
    cuts = [
        i for i in range(1, len(parts)) if len(parts[i][3]) != len(parts[i - 1][3]) or parts[i][2] != parts[i - 1][2]
    ]
    return [parts[first:after] for first, after in zip([0, *cuts], [*cuts, len(parts)], strict=True) if after > first]


def joined(parts: Sequence[Part]) -> Samples:
    """Many seconds in one piece.

    Args:
        parts: (second, utc_ms, columns, bytes) of each block, in order.

    Raises:
        DamagedBlock: when the bytes of one are not what was written; the message begins with its second.
    """
    groups = [(group, _records(group)) for group in _groups(parts)]
    columns = tuple(dict.fromkeys(name for group, _ in groups for name in group[0][2]))
    total = sum(records["offsets"].size for _, records in groups)
    at_ms, utc_ms = np.empty(total, np.int64), np.empty(total, np.int64)
    values, states = np.empty((total, len(columns))), np.empty((total, len(columns)), np.uint8)
    row = 0
    for group, records in groups:
        rest = slice(row, row + records["offsets"].size)
        for target, begins in ((at_ms, [1000 * part[0] for part in group]), (utc_ms, [part[1] for part in group])):
            target[rest] = (np.array(begins, np.int64)[:, None] + records["offsets"]).ravel()
        names = group[0][2]
        where = slice(None) if names == columns else [columns.index(name) for name in names]
        if names != columns:
            values[rest], states[rest] = np.nan, NOT_SAMPLED
        shape = (len(group), records["offsets"].shape[1], len(columns))
        values[rest].reshape(shape)[..., where] = records["values"]
        states[rest].reshape(shape)[..., where] = records["states"]
        row = rest.stop
    return Samples(columns, at_ms, utc_ms, values, states)
