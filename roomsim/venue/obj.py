"""OBJ files: polygons with the names of their groups, materials and objects.

Only `v`, `f`, `g`, `o` and `usemtl` are read. Material libraries are never opened: of a material only the name
is needed. Lines end with LF, CR LF or CR, and a backslash at the end continues a line. Names are UTF-8.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator

import numpy as np

from roomsim.errors import MeshError
from roomsim.venue.polygons import RawMesh, raw_mesh

_FREE_FORM = {"cstype", "curv", "curv2", "surf"}


def read_obj(content: bytes) -> RawMesh:
    """Read the bytes of an OBJ file.

    Raises
    ------
    MeshError : line, what is wrong, cure
    """
    reading = _Reading()
    for line, text in _statements(content):
        keyword, _, rest = text.replace("\t", " ").partition(" ")
        reading.line = line
        if keyword == "v":
            reading.vertex(rest.partition("#")[0].split())
        elif keyword == "f":
            reading.polygon(rest.partition("#")[0].split())
        elif keyword in ("g", "o", "usemtl"):
            # The character # does not begin a comment in a name: "Material #2" and "Material #3" are two materials.
            reading.name(keyword, " ".join(rest.split()))
        elif keyword in _FREE_FORM:
            raise reading.error("curves and curved surfaces cannot be read", "Export the mesh as polygons.")
    return reading.mesh()


def _statements(content: bytes) -> Iterator[tuple[int, str]]:
    """Line number and text of each statement, with continued lines joined and without comment lines."""
    # Bytes that are not UTF-8 become lone surrogates, which do no harm in a comment.
    text = content.decode("utf-8-sig", errors="surrogateescape")
    joined, first = "", 1
    for number, line in enumerate(re.split(r"\r\n|\n|\r", text), start=1):
        if not joined:
            first = number
            if line.lstrip().startswith("#"):
                continue
        if line.rstrip().endswith("\\"):
            joined += line.rstrip()[:-1] + " "
            continue
        statement, joined = (joined + line).strip(), ""
        if statement:
            yield first, statement
    if joined.strip():
        yield first, joined.strip()


class _Reading:
    """What has been read so far, and the names that apply to the next face."""

    def __init__(self) -> None:
        self.line = 1
        self.coordinates: list[tuple[float, float, float]] = []
        self.corners: list[int] = []
        self.counts: list[int] = []
        self.lines: list[int] = []
        self.label: list[int] = []
        self.labels: dict[tuple[str, str, str], int] = {}
        self.names = {"g": "", "usemtl": "", "o": ""}

    def error(self, fault: str, cure: str) -> MeshError:
        return MeshError(fault, place=f"line {self.line}", cure=cure)

    def vertex(self, words: list[str]) -> None:
        # A fourth value is a weight for curves; further values are colours.
        numbers = [_number(word) for word in words[:3]]
        if len(numbers) < 3 or not all(map(math.isfinite, numbers)):
            shown = " ".join(words)[:60]
            raise self.error(
                f'a vertex needs three numbers, got "{shown}"',
                "Export the mesh again, with a decimal point and without empty values.",
            )
        self.coordinates.append((numbers[0], numbers[1], numbers[2]))

    def polygon(self, words: list[str]) -> None:
        if len(words) < 3:
            raise self.error(f"a face needs at least three vertices, got {len(words)}", "Remove the face.")
        n = len(self.coordinates)
        for word in words:
            reference = word.split("/", 1)[0]
            try:
                index = int(reference)
            except ValueError:
                raise self.error(
                    f'"{word[:40]}" is not a vertex of a face',
                    "Vertices of a face are whole numbers, as in f 1 2 3.",
                ) from None
            # Negative numbers count back from the vertex above: -1 is the last one so far.
            corner = index - 1 if index > 0 else n + index
            if index == 0 or corner < 0:
                raise self.error(
                    f"there is no vertex {index} at this point; {n} are defined above",
                    "The file is damaged or was edited; export it again.",
                )
            self.corners.append(corner)
        self.counts.append(len(words))
        self.lines.append(self.line)
        key = (self.names["g"], self.names["usemtl"], self.names["o"])
        self.label.append(self.labels.setdefault(key, len(self.labels)))

    def name(self, keyword: str, name: str) -> None:
        if any("\ud800" <= letter <= "\udfff" for letter in name):
            raise self.error(f"the name after {keyword} is not UTF-8", "Export the mesh with UTF-8 names.")
        # "default" is the format's own name for no group.
        self.names[keyword] = "" if keyword == "g" and name == "default" else name

    def mesh(self) -> RawMesh:
        vertices = np.array(self.coordinates, dtype=np.float64).reshape(-1, 3)
        corners, counts, label, lines = map(np.array, (self.corners, self.counts, self.label, self.lines))
        return raw_mesh(vertices, corners, counts, label, tuple(self.labels), lines)


def _number(word: str) -> float:
    try:
        return math.nan if "_" in word else float(word)
    except ValueError:
        return math.nan
