"""The bytes of a MusicXML file, compressed (.mxl) or not, as its root element, with bounds on what is read.

Files come from anybody. Nothing outside the file is ever opened; a document type declaration is passed over, but one
that declares entities is refused, since they can make a small file endless. Raises ScoreError in one plain sentence.
"""

from __future__ import annotations

import io
import zipfile
import zlib
from pathlib import PurePosixPath
from typing import Final
from xml.etree import ElementTree as ET
from xml.parsers import expat

from analysis.score import ScoreError

MAX_BYTES: Final = 4_000_000
MAX_ELEMENTS: Final = 200_000
MAX_DEPTH: Final = 40
_MAX_FILES: Final = 200
_CONTAINER: Final = "META-INF/container.xml"
_ZIP: Final = b"PK\x03\x04"
#: What stands at the beginning of a file that is MusicXML, whole or not.
_BEGUN: Final = b"<score-partwise"
_DAMAGED: Final = "the file is damaged, or not whole; save it again as MusicXML"
_NO_MUSICXML: Final = "this is not a MusicXML file; expected one that ends in .musicxml, .xml or .mxl"


def root_of(data: bytes) -> ET.Element:
    """The document's root element."""
    if len(data) > MAX_BYTES:
        raise ScoreError(f"the file is larger than {MAX_BYTES // 1_000_000} MB; one short piece is expected")
    return _parsed(_unpacked(data) if data.startswith(_ZIP) else data)


def _unpacked(data: bytes) -> bytes:
    """The music inside an .mxl file: the first root file that its container names."""
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            if len(archive.namelist()) > _MAX_FILES:
                raise ScoreError(f"the .mxl file holds more than {_MAX_FILES} files; expected one piece of music")
            return _member(archive, _music_name(archive))
    except (zipfile.BadZipFile, zlib.error, NotImplementedError, RuntimeError, EOFError, OSError, ValueError) as error:
        if isinstance(error, ScoreError):
            raise
        raise ScoreError("the .mxl file is damaged; save it again, or save it as .musicxml") from error


def _music_name(archive: zipfile.ZipFile) -> str:
    names = archive.namelist()
    if _CONTAINER in names:
        for element in _parsed(_member(archive, _CONTAINER)).iter():
            named = element.get("full-path", "")
            if element.tag.rpartition("}")[2] == "rootfile" and named in names:
                return named
    plain = [name for name in names if PurePosixPath(name).suffix in (".musicxml", ".xml") and name != _CONTAINER]
    if not plain:
        raise ScoreError("the .mxl file holds no music; save it again, or save it as .musicxml")
    return plain[0]


def _member(archive: zipfile.ZipFile, name: str) -> bytes:
    """One file of an archive; what its header says of its size is not believed."""
    with archive.open(name) as file:
        content = file.read(MAX_BYTES + 1)
    if len(content) > MAX_BYTES:
        raise ScoreError(f"unpacked, the file is larger than {MAX_BYTES // 1_000_000} MB; one short piece is expected")
    return content


def _parsed(data: bytes) -> ET.Element:
    builder = ET.TreeBuilder()
    parser = expat.ParserCreate()
    parser.buffer_text = True
    counts = {"depth": 0, "elements": 0}

    def start(name: str, attributes: dict[str, str]) -> None:
        counts["depth"] += 1
        counts["elements"] += 1
        if counts["depth"] > MAX_DEPTH or counts["elements"] > MAX_ELEMENTS:
            raise ScoreError("the file holds more than a piece of music can; one short piece is expected")
        builder.start(name, attributes)

    def end(name: str) -> None:
        counts["depth"] -= 1
        builder.end(name)

    def declared(*_: object) -> None:
        raise ScoreError("the file declares entities of its own, which are not read; save it again as MusicXML")

    parser.StartElementHandler = start
    parser.EndElementHandler = end
    parser.CharacterDataHandler = builder.data
    parser.EntityDeclHandler = declared
    try:
        parser.Parse(data, True)
        return builder.close()
    except (expat.ExpatError, ValueError, LookupError) as error:
        if isinstance(error, ScoreError):
            raise
        raise ScoreError(_DAMAGED if _BEGUN in data[:4096] else _NO_MUSICXML) from error
