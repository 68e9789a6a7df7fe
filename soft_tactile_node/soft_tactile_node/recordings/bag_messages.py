"""Messages out of MCAP files as `ros2 bag record -s mcap` writes them, one after the other; what is damaged is said.

A file is read from its front, without its index: one that was cut short by a crash has none.
"""

from __future__ import annotations

import hashlib
import re
import struct
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from io import BytesIO
from pathlib import Path
from typing import Any, BinaryIO

import lz4.frame
import zstandard
from mcap.exceptions import McapError
from mcap.records import Channel, Chunk, McapRecord, Message, Schema
from mcap.stream_reader import StreamReader

from soft_tactile_node.errors import RecordingError
from soft_tactile_node.recordings.message_types import definition, fields_of, type_store

MAGIC = b"\x89MCAP0\r\n"
LARGEST_CHUNK = 1 << 30
"""A chunk that claims to hold more is not believed (bytes)."""

_CHUNK = 0x06  # the MCAP format specification, "Opcodes"


@dataclass(frozen=True)
class BagMessage:
    """One message of a recording.

    Attributes
    ----------
    topic : str
        Where it was heard.
    data : object
        The message, fields by name.
    place : str
        File and number of the message, for error messages.
    """

    topic: str
    data: Any
    place: str


class Bag:
    """One recording: a file, or a folder with the files of a recording that was split.

    Parameters
    ----------
    path : str or pathlib.Path
        The file that ends in .mcap, or the folder.

    Attributes
    ----------
    remarks : list of str
        What was damaged, once the messages have been read.

    Raises
    ------
    RecordingError
        There is no such file.
    """

    def __init__(self, path: str | Path) -> None:
        self.path = Path(path)
        self.remarks: list[str] = []
        self.files = sorted(self.path.glob("*.mcap"), key=_by_number) if self.path.is_dir() else [self.path]
        if not self.files:
            raise RecordingError(f"{self.path}: is a folder without .mcap files; name a recording")

    def sha256(self) -> str:
        """Return the SHA-256 of the files' bytes, in order, in hexadecimal."""
        digest = hashlib.sha256()
        for file in self.files:
            with _open(file) as stream:
                while block := stream.read(1 << 20):
                    digest.update(block)
        return digest.hexdigest()

    def messages(self, wanted: Callable[[str, str], bool]) -> Iterator[BagMessage]:
        """Yield messages in the order in which they were recorded.

        Parameters
        ----------
        wanted : callable
            Takes topic and type, returns whether to read its messages; asked once for each topic of a file.

        Yields
        ------
        BagMessage
            The message.

        Raises
        ------
        RecordingError
            A file cannot be read or is no MCAP, or a wanted topic is written in another encoding or definition.
        """
        store = type_store()
        for file in self.files:
            schemas: dict[int, Schema] = {}
            channels: dict[int, tuple[str, str]] = {}
            number = 0
            for record in self._records(file):
                if isinstance(record, Schema):
                    schemas[record.id] = record
                elif isinstance(record, Channel) and record.id not in channels:
                    schema = schemas.get(record.schema_id)
                    if schema is not None and wanted(record.topic, schema.name):
                        _check_schema(file, record, schema)
                        channels[record.id] = (record.topic, schema.name)
                elif isinstance(record, Message):
                    number += 1
                    if record.channel_id in channels:
                        topic, type_name = channels[record.channel_id]
                        place = f"{file}, message {number} ({topic})"
                        try:
                            data = store.deserialize_cdr(record.data, type_name)
                        except Exception as error:  # the decoder raises whatever a damaged length leads it to
                            raise RecordingError(f"{place}: is no {type_name} ({error!r:.60}); record again") from None
                        yield BagMessage(topic, data, place)

    def _records(self, file: Path) -> Iterator[McapRecord]:
        """Yield schemas, channels and messages of a file; what is damaged is left out and remarked."""
        with _open(file) as stream:
            size = file.stat().st_size
            if stream.read(len(MAGIC)) != MAGIC:
                raise RecordingError(f"{file}: is no MCAP file; give one of `ros2 bag record -s mcap`")
            reader = StreamReader(stream, skip_magic=True, emit_chunks=True, record_size_limit=size)
            found = 0
            place = stream.tell()
            try:
                for record in reader.records:
                    if isinstance(record, Chunk):
                        for inner in self._unpack(file, place, record):
                            found += isinstance(inner, Message)
                            yield inner
                    else:
                        found += isinstance(record, Message)
                        yield record
                    place = stream.tell()
            except (McapError, struct.error, ValueError, OverflowError, MemoryError):
                for inner in _tail(stream, place):
                    found += isinstance(inner, Message)
                    yield inner
                self.remarks.append(
                    f"{file.name} ends in a torn record at byte {place}: the {found} messages before are used"
                )

    def _unpack(self, file: Path, place: int, chunk: Chunk) -> Iterator[McapRecord]:
        if chunk.uncompressed_size > LARGEST_CHUNK:
            self.remarks.append(
                f"{file.name}: a chunk at byte {place} claims {chunk.uncompressed_size} bytes: left out"
            )
            return
        data = _decompress(chunk.compression, chunk.data, chunk.uncompressed_size)
        count = 0
        for record in _inner(data):
            count += isinstance(record, Message)
            yield record
        if len(data) != chunk.uncompressed_size:
            self.remarks.append(f"{file.name}: the chunk at byte {place} is damaged: {count} messages of it are used")


def _inner(data: bytes) -> Iterator[McapRecord]:
    """Yield the records of a chunk up to its end, or to where it breaks off."""
    reader = StreamReader(BytesIO(data), skip_magic=True, record_size_limit=max(len(data), 1))
    records = reader.records
    while True:
        try:
            record = next(records)
        except (StopIteration, McapError, struct.error, ValueError, OverflowError):
            return
        if isinstance(record, Schema | Channel | Message):
            yield record


def _tail(stream: BinaryIO, place: int) -> Iterator[McapRecord]:
    """Yield what is whole in a chunk that breaks off at the end of the file."""
    stream.seek(place)
    head = stream.read(9)
    if len(head) < 9 or head[0] != _CHUNK:
        return
    fixed = stream.read(8 + 8 + 8 + 4 + 4)  # start, end, size, checksum, length of the compression's name
    if len(fixed) < 32:
        return
    size, name_length = int.from_bytes(fixed[16:24], "little"), int.from_bytes(fixed[28:32], "little")
    if size > LARGEST_CHUNK or name_length > 16:
        return
    compression = stream.read(name_length).decode("utf-8", "replace")
    stream.read(8)
    yield from _inner(_decompress(compression, stream.read(LARGEST_CHUNK), size))


def _decompress(compression: str, data: bytes, size: int) -> bytes:
    """Return at most `size` bytes of a chunk; fewer where it breaks off or is damaged."""
    try:
        if compression == "zstd":
            with zstandard.ZstdDecompressor().stream_reader(BytesIO(data)) as reader:
                return _read_up_to(reader.read, size)
        if compression == "lz4":
            return bytes(lz4.frame.LZ4FrameDecompressor().decompress(data, max_length=size))
    except (zstandard.ZstdError, RuntimeError, EOFError):
        return b""
    return data[:size] if compression == "" else b""


def _read_up_to(read: Callable[[int], bytes], size: int) -> bytes:
    parts: list[bytes] = []
    have = 0
    try:
        while have < size and (part := read(min(size - have, 1 << 16))):
            parts.append(part)
            have += len(part)
    except zstandard.ZstdError:
        pass
    return b"".join(parts)


def _check_schema(file: Path, channel: Channel, schema: Schema) -> None:
    """Refuse a topic that is not written the way this package reads it."""
    if channel.message_encoding != "cdr" or schema.encoding != "ros2msg":
        raise RecordingError(
            f"{file}, topic {channel.topic}: must be in cdr with a ros2msg definition; got "
            f"{channel.message_encoding[:20]!r} with {schema.encoding[:20]!r}; record with `ros2 bag record -s mcap`"
        )
    try:
        same = fields_of(schema.data.decode("utf-8")) == fields_of(definition(schema.name))
    except (UnicodeDecodeError, ValueError):
        same = False
    if not same:
        raise RecordingError(
            f"{file}, topic {channel.topic}: was recorded with another definition of {schema.name}; use the interfaces "
            "of this version, or the version of this package it was recorded with"
        )


def _open(file: Path) -> BinaryIO:
    try:
        return file.open("rb")
    except OSError as error:
        reason = error.strerror or str(error)
        raise RecordingError(f"{file}: cannot be read ({reason}); check the name and the rights") from error


def _by_number(file: Path) -> list[int | str]:
    """Return a key that sorts the pieces of a split recording: …_2 before …_10."""
    return [int(part) if part.isdigit() else part for part in re.split(r"(\d+)", file.name)]
