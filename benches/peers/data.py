"""Invented flakes of a field school, struck from flint with quartzite or antler, as columns of little-endian f64.
data.py FOLDER ROWS. Seeded; numpy."""
import pathlib, sys
import numpy as np

folder, n = pathlib.Path(sys.argv[1]), int(sys.argv[2])
rng = np.random.default_rng(20261125)
depth = np.exp(rng.normal(1.6, 0.5, n))
angle = rng.normal(68.0, 9.0, n).clip(35.0, 88.0)
antler = (rng.random(n) < 0.3).astype(float)
mass = np.exp(-4.0 + 2.0 * np.log(depth) + 0.03 * angle - 0.2 * antler + rng.normal(0.0, 0.4, n))
for name, column in [("depth", depth), ("angle", angle), ("class", antler), ("mass", mass)]:
    column.astype("<f8").tofile(folder / name)
