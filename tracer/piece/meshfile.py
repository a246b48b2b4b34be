"""Mesh to 3MF and binary STL: the same mesh gives the same bytes."""

import io
import zipfile

import numpy as np

from tracer.piece.mesh import Mesh
from tracer.write.svg import xml_text

DECIMALS = 6
_DATE = (1980, 1, 1, 0, 0, 0)
"""The first that ZIP can hold; no clock is read."""

_TYPES = """<?xml version="1.0" encoding="UTF-8"?>
<Types xmlns="http://schemas.openxmlformats.org/package/2006/content-types">\
<Default Extension="rels" ContentType="application/vnd.openxmlformats-package.relationships+xml"/>\
<Default Extension="model" ContentType="application/vnd.ms-package.3dmanufacturing-3dmodel+xml"/>\
</Types>
"""
_RELATIONS = """<?xml version="1.0" encoding="UTF-8"?>
<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships">\
<Relationship Target="/3D/3dmodel.model" Id="rel0" \
Type="http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel"/>\
</Relationships>
"""


def write_3mf(mesh: Mesh, *, title: str, mark: str) -> bytes:
    """Return a mesh as 3MF, in millimetres (3MF Core Specification 1.x, one object).

    `mark` stands uncompressed in the first part of the file, so that it is found without unpacking.
    """
    points = "".join(
        f'<vertex x="{x:.{DECIMALS}f}" y="{y:.{DECIMALS}f}" z="{z:.{DECIMALS}f}"/>\n'
        for x, y, z in mesh.vertices + 0.0
    )
    faces = "".join(f'<triangle v1="{a}" v2="{b}" v3="{c}"/>\n' for a, b, c in mesh.triangles)
    model = (
        '<?xml version="1.0" encoding="UTF-8"?>\n'
        '<model unit="millimeter" xml:lang="en" '
        'xmlns="http://schemas.microsoft.com/3dmanufacturing/core/2015/02">\n'
        f'<metadata name="Title">{_escaped(title)}</metadata>\n'
        f'<metadata name="Application">{_escaped(mark)}</metadata>\n'
        '<resources><object id="1" type="model"><mesh>\n'
        f"<vertices>\n{points}</vertices>\n<triangles>\n{faces}</triangles>\n"
        '</mesh></object></resources>\n<build><item objectid="1"/></build>\n</model>\n'
    )
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w") as archive:
        marked = f"{_TYPES}<!-- {mark} -->\n"
        for name, text, how in (
            ("[Content_Types].xml", marked, zipfile.ZIP_STORED),
            ("_rels/.rels", _RELATIONS, zipfile.ZIP_DEFLATED),
            ("3D/3dmodel.model", model, zipfile.ZIP_DEFLATED),
        ):
            entry = zipfile.ZipInfo(name, _DATE)
            entry.compress_type = how
            entry.create_system = 3
            entry.external_attr = 0o644 << 16
            archive.writestr(entry, text, compresslevel=6)
    return stream.getvalue()


def write_stl(mesh: Mesh, *, mark: str) -> bytes:
    """Return a mesh as binary STL: 80 bytes of header, count, 50 bytes a facet, little-endian.

    STL has no unit; the numbers are millimetres by custom.
    """
    corners = mesh.vertices[mesh.triangles]
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    lengths = np.linalg.norm(normals, axis=1, keepdims=True)
    normals = np.divide(normals, lengths, out=np.zeros_like(normals), where=lengths > 0)
    record = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("attribute", "<u2")])
    facets = np.zeros(len(corners), dtype=record)
    facets["normal"], facets["corners"] = normals + 0.0, corners + 0.0
    header = f"{mark}; millimetres".encode("ascii", "replace")[:80].ljust(80)
    return b"".join([header, len(facets).to_bytes(4, "little"), facets.tobytes()])


def _escaped(text: str) -> str:
    clean = xml_text(text)
    return clean.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")
