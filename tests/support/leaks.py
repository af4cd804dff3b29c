"""Looking for identifiers in everything a run leaves behind, with everything unpacked.

A file is read as its bytes and, by its kind, unpacked: a registry exported and written again without compression (its
log replayed), Parquet as text, gzip and zip members, base64 in pages decoded, compressed streams of a PDF inflated.
Letter case, entities and escapes do not hide a value.
"""

from __future__ import annotations

import base64
import binascii
import gzip
import html
import io
import re
import shutil
import tempfile
import urllib.parse
import zipfile
import zlib
from collections.abc import Iterable, Iterator
from pathlib import Path

import duckdb
import polars as pl

_BASE64 = re.compile(rb"[A-Za-z0-9+/]{24,}={0,2}")
_STREAM = re.compile(rb"stream\r?\n(.*?)endstream", re.DOTALL)
_ESCAPED = re.compile(r"\\u([0-9a-fA-F]{4})")


def find_leaks(needles: Iterable[str], *places: Path | str | bytes) -> list[tuple[str, str]]:
    """Return (needle, where) for every needle found in a file, in any file of a folder, or in a logged text."""
    wanted = {needle: needle.lower() for needle in needles}
    lows = sorted(set(wanted.values()))
    found = set()
    for where, layer in _everything(places):
        hits = pl.Series(_readings(layer)).str.extract_many(lows, overlapping=True)  # one pass for all of them
        there = set(hits.explode())
        found |= {(needle, where) for needle, low in wanted.items() if low in there}
    return sorted(found)


def _everything(places: Iterable[Path | str | bytes]) -> Iterator[tuple[str, bytes]]:
    for place in places:
        if isinstance(place, Path):
            files = sorted(path for path in place.rglob("*") if path.is_file()) if place.is_dir() else [place]
            for file in files:
                yield "the name of a file", str(file.name).encode()
                yield from _unpacked(file)
        else:
            yield from _layers("a text", place.encode() if isinstance(place, str) else place)


def _readings(layer: bytes) -> list[str]:
    """A layer as text, in lower case: as it stands, with entities and escapes resolved, and as 16-bit text."""
    plain = layer.decode("utf-8", errors="ignore")
    resolved = urllib.parse.unquote(html.unescape(_ESCAPED.sub(lambda match: chr(int(match[1], 16)), plain)))
    wide = layer.decode("utf-16-le", errors="ignore") + layer[1:].decode("utf-16-le", errors="ignore")
    return [plain.lower(), resolved.lower(), wide.lower()]


def _unpacked(file: Path) -> Iterator[tuple[str, bytes]]:
    content = file.read_bytes()
    yield from _layers(file.name, content)
    if content[8:12] == b"DUCK":
        yield from ((f"{file.name}, exported", layer) for layer in _exported(file))
    if content[:4] == b"PAR1":
        yield f"{file.name}, as text", pl.read_parquet(file).write_csv().encode()


def _layers(name: str, content: bytes) -> Iterator[tuple[str, bytes]]:
    """The bytes, and what is packed in them, however deep."""
    yield name, content
    if content[:2] == b"\x1f\x8b":
        yield from _layers(f"{name}, unzipped", gzip.decompress(content))
    if content[:4] == b"PK\x03\x04":
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            for member in archive.namelist():
                yield from _layers(f"{name}, {member}", archive.read(member))
    if content[:5] == b"%PDF-":
        for stream in _STREAM.findall(content):
            yield f"{name}, a stream", _inflated(stream)
    for text in _BASE64.findall(content):
        decoded = _decoded(text)
        if decoded:
            yield from _layers(f"{name}, decoded", decoded)


def _inflated(stream: bytes) -> bytes:
    try:
        return zlib.decompressobj().decompress(stream)
    except zlib.error:
        return b""


def _decoded(text: bytes) -> bytes:
    try:
        return base64.b64decode(text[: len(text) // 4 * 4], validate=True)
    except binascii.Error:
        return b""


def _exported(registry: Path) -> Iterator[bytes]:
    """Every table of a registry as CSV, and the bytes of a copy of it that is not compressed."""
    with tempfile.TemporaryDirectory() as folder:
        copy, plain = Path(folder) / "copy.duckdb", Path(folder) / "plain.duckdb"
        shutil.copy(registry, copy)
        log = registry.with_name(f"{registry.name}.wal")
        if log.exists():
            shutil.copy(log, f"{copy}.wal")
        with duckdb.connect() as con:
            con.execute("set force_compression = 'uncompressed'")
            con.execute(f"attach '{copy}' as reg (type duckdb); attach '{plain}' as plain (type duckdb)")
            con.execute("copy from database reg to plain; checkpoint plain")
            tables = con.execute(
                "select schema_name, table_name from duckdb_tables() where database_name = 'reg' order by all"
            ).fetchall()
            for schema, table in tables:
                target = Path(folder) / f"{schema}-{table}.csv"
                con.execute(f"copy reg.{schema}.\"{table}\" to '{target}' (header)")
                yield target.read_bytes()
        yield plain.read_bytes()
