"""Writes closing.txt: grey-scale closings of random images by round bits, with SciPy.

    python3 closing.py > closing.txt        (made with SciPy 1.17.1, NumPy's PCG64)

One pixel is 1 mm and 1 mm is 1000 levels. The image is surrounded by very low ground, so that the
bit may run off it. The bit is part of each case: diameter, half-angle of its flank (0 for a plain
ball) and flute, in pixels.
"""

import numpy as np
import scipy
from scipy.ndimage import grey_closing

LOW = -1e9


def heights(diameter, half_angle_deg, flute):
    r = diameter / 2
    a = np.radians(half_angle_deg)
    if half_angle_deg > 0:
        tangent = r * np.cos(a)
        reach = tangent + (flute - r * (1 - np.sin(a))) * np.tan(a)
    else:
        reach = r
    n = int(np.floor(reach + 1e-9))
    y, x = np.mgrid[-n : n + 1, -n : n + 1]
    rho = np.hypot(x, y)
    h = r - np.sqrt(np.maximum(r * r - rho * rho, 0))
    if half_angle_deg > 0:
        flank = r * (1 - np.sin(a)) + (rho - tangent) / np.tan(a)
        h = np.where(rho <= tangent, h, flank)
    return n, rho <= reach + 1e-9, h


rng = np.random.default_rng(20261125)
print(f"# SciPy {scipy.__version__}; see closing.py")
for rows, columns, diameter, angle, flute in [
    (20, 30, 7.0, 0, 99),
    (24, 24, 11.5, 0, 99),
    (18, 40, 3.0, 12, 20),
    (16, 16, 21.0, 0, 99),
]:
    n, footprint, h = heights(diameter, angle, flute)
    levels = rng.integers(0, 9000, (rows, columns))
    around = np.pad(levels.astype(float), 2 * n, constant_values=LOW)
    closed = grey_closing(around, footprint=footprint, structure=-1000 * h, mode="constant", cval=LOW)
    closed = closed[2 * n : 2 * n + rows, 2 * n : 2 * n + columns]
    print(rows, columns, diameter, angle, flute)
    for line in levels:
        print(*line)
    for line in np.rint(closed).astype(int):
        print(*line)
    print()
