"""A plain script for the same job, the yardstick of speed: contour, polyline, buffer, SVG.

    python tests/bench/plain_script.py ARTWORK.png WIDTH_MM LIMIT_MM OUT.svg

scikit-image for the contours, OpenCV for the polylines, shapely for opening and closing by half the
limit, svgwrite for the file. No corners, no curves, no findings, no measuring, no report.
"""

import sys

import cv2
import numpy as np
import shapely
import svgwrite
from PIL import Image
from skimage import measure


def main(source: str, width: str, limit: str, target: str) -> None:
    """Write the outline of an artwork."""
    with Image.open(source) as image:
        alpha = np.asarray(image.convert("RGBA"))[..., 3]
    rings = []
    for contour in measure.find_contours(alpha.astype(float), 127.5):
        line = contour[:, ::-1].astype(np.float32).reshape(-1, 1, 2)
        ring = cv2.approxPolyDP(line, 1.0, closed=True).reshape(-1, 2)
        if len(ring) > 2:
            rings.append(shapely.make_valid(shapely.Polygon(ring)))
    region = shapely.MultiPolygon().union(shapely.Polygon())
    for ring in sorted(rings, key=lambda r: -r.area):
        region = region.symmetric_difference(ring)
    left, top, right, bottom = region.bounds
    scale = float(width) / (right - left)
    region = shapely.transform(region, lambda p: (p - [left, top]) * scale)
    radius = float(limit) / 2
    region = region.buffer(-radius).buffer(radius).buffer(radius).buffer(-radius)
    height = (bottom - top) * scale
    drawing = svgwrite.Drawing(
        target, size=(f"{width}mm", f"{height}mm"), viewBox=f"0 0 {width} {height}"
    )
    for part in shapely.get_parts(region):
        data = ""
        for ring in (part.exterior, *part.interiors):
            data += "M" + " L".join(f"{x:.4f},{y:.4f}" for x, y in ring.coords) + " Z "
        drawing.add(drawing.path(d=data, fill_rule="evenodd"))
    drawing.save()


if __name__ == "__main__":
    main(*sys.argv[1:])
