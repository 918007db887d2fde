"""Invented flakes of a field school, struck from flint with quartzite or antler, as columns of little-endian f64.
data.py FOLDER ROWS. Seeded; numpy."""
import pathlib, sys
import numpy as np

folder, n = pathlib.Path(sys.argv[1]), int(sys.argv[2])
rng = np.random.default_rng(20261125)
depth = np.exp(rng.normal(1.6, 0.5, n))
angle = rng.normal(68.0, 9.0, n).clip(35.0, 88.0)
antler = (rng.random(n) < 0.3).astype(float)
core = rng.integers(0, max(n // 25, 1), n).astype(float)
shared = rng.normal(0.0, 0.25, max(n // 250, 1))[core.astype(int) % max(n // 250, 1)]  # what flakes of a core share
mass = np.exp(shared - 4.0 + 2.0 * np.log(depth) + 0.03 * angle - 0.2 * antler + rng.normal(0.0, 0.4, n))
# how they end: feather, hinge, step, overshot; and the core each came from, of 25 flakes in the mean
e = np.stack([np.zeros(n), -1.8 - 0.4 * (np.log(depth) - 1.6) + 0.02 * (angle - 68), -3.2 + 0.5 * (np.log(depth) - 1.6)
              + 0.8 * antler, -2.6 + 1.8 * (np.log(depth) - 1.6) + 0.05 * (angle - 68)])
ends = (e + rng.gumbel(size=e.shape)).argmax(0).astype(float)
with open(folder / "m.csv", "w") as f:
    f.write("platform_depth_mm,exterior_platform_angle_deg,mass_g\n")
    f.writelines(f"{d:.2f},{a:.1f},{max(m, 0.01):.2f}\n" for d, a, m in zip(depth, angle, mass))
for name, column in [("ends", ends), ("core", core), ("depth", depth), ("angle", angle), ("class", antler), ("mass", mass)]:
    column.astype("<f8").tofile(folder / name)
