"""A third route to the finite disc: a volume integral over cylinder segments whose fields come from magpylib.

The disc is cut into rings, sectors and layers with its true round outline; each segment carries an even magnetisation
that answers the field at its centre: M = chi (H0 - N M). Rotation by one sector maps the disc onto itself, so that one
segment of each ring and layer is enough. Only the coil's field comes from outside.
"""

from __future__ import annotations

import math

import numpy as np


def segment_response(radius, thickness, chi, rings, layers, sectors):
    """Return centres (q, 3), volumes (q,) and the matrix chi (1 + chi N)^-1, shape (3 q, 3 q)."""
    import magpylib

    r = np.linspace(0.0, radius, rings + 1)
    z = np.linspace(-0.5 * thickness, 0.5 * thickness, layers + 1)
    half = math.pi / sectors
    centroid = 2 / 3 * (r[1:] ** 3 - r[:-1] ** 3) / (r[1:] ** 2 - r[:-1] ** 2) * math.sin(half) / half
    angles = 2 * math.pi * np.arange(sectors) / sectors
    ring, layer, sector = np.meshgrid(np.arange(rings), np.arange(layers), np.arange(sectors), indexing="ij")
    middle = 0.5 * (z[1:] + z[:-1])
    centres = np.stack(
        [centroid[ring] * np.cos(angles[sector]), centroid[ring] * np.sin(angles[sector]), middle[layer]], axis=-1
    ).reshape(-1, 3)
    volumes = (half * (r[1:] ** 2 - r[:-1] ** 2))[ring.ravel()] * (thickness / layers)
    count = centres.shape[0]
    tensor = np.zeros((count, 3, count, 3))
    degrees = math.degrees(half)
    turns = np.stack([_turn(a) for a in angles])
    order = np.arange(count).reshape(rings * layers, sectors)
    for i in range(rings):
        for j in range(layers):
            columns = order[i * layers + j]
            size = (r[i], r[i + 1], thickness / layers, -degrees, degrees)
            field = np.empty((count, 3, 3))
            for axis in range(3):
                source = magpylib.magnet.CylinderSegment(
                    dimension=size, position=(0, 0, middle[j]), magnetization=tuple(np.eye(3)[axis])
                )
                field[:, :, axis] = -source.getH(centres)
            field = field.reshape(rings * layers, sectors, 3, 3)
            for k in range(sectors):
                # the source turned by k sectors sees the observers turned back by k
                seen = np.roll(field, k, axis=1).reshape(count, 3, 3)
                tensor[:, :, columns[k], :] = turns[k] @ seen @ turns[k].T
    flat = tensor.reshape(3 * count, 3 * count)
    return centres, volumes, chi * np.linalg.inv(np.eye(3 * count) + chi * flat)


def _turn(angle):
    c, s = math.cos(angle), math.sin(angle)
    return np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]])
