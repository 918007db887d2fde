"""Writes kept_flakes.csv: invented flakes of a field school on chalk downland, sieved so that only those whose
greater of length and width is 25 mm or more were kept; six students ("knapper"), masses weighed to 0.01 g.

    python3 kept.py        (numpy 2; seed below)
"""
import numpy as np

rng = np.random.default_rng(20260)
S = np.array([[0.10, 0.04, 0.16], [0.04, 0.09, 0.14], [0.16, 0.14, 0.46]])
L = np.linalg.cholesky(S)
rows = []
while len(rows) < 180:
    knapper = int(rng.integers(6))
    depth = round(float(np.exp(rng.normal(1.5, 0.45))), 1)
    angle = round(float(rng.normal(75, 9)))
    if depth < 0.5:
        continue
    u = [-0.25, -0.1, 0.0, 0.05, 0.1, 0.2][knapper]
    mean = np.array([3.15 + u, 3.05 + u, 1.3 + 2.6 * u])
    mean = mean + (np.log(depth) - 1.5) * np.array([0.30, 0.35, 1.10]) + (angle - 75) / 10 * np.array([0.04, 0.03, 0.12])
    length, width, mass = np.exp(mean + L @ rng.normal(size=3))
    if max(length, width) < 25:
        continue
    rows.append((f"student {knapper + 1}", depth, angle, round(length, 1), round(width, 1), round(mass, 2)))
with open("kept_flakes.csv", "w") as f:
    f.write("knapper,platform_depth_mm,exterior_platform_angle_deg,length_mm,width_mm,mass_g\n")
    for r in rows:
        f.write(",".join(map(str, r)) + "\n")
