"""How much the slopes of ln size differ between excavated sites: the constants of src/calibration/resolved/beyond.rs.

python3 slopes_between_sites.py FOLDER     (FOLDER holds flakes-of-sites.csv; data-sources.md says where its parts are)

For each site of 80 flakes or more, least squares of ln size on ln platform depth and exterior platform angle (with or
without ln platform width); the variance of the slopes over sites less the mean of their squared standard errors. Made
with Python 3.11, numpy 2, pandas 3.

size       without width: ln depth, ten degrees      with width: ln depth, ten degrees, ln width
mass       0.38  0.067                               0.17  0.085  0.24
length     0.12  0.043                               0.06  0.043  0.08
width      0.21  0.016                               0.07  0.039  0.14
thickness  0.12  0.025                               0.07  0.030  0.15
"""

import sys

import numpy as np
import pandas as pd

flakes = pd.read_csv(f"{sys.argv[1]}/flakes-of-sites.csv")
flakes = flakes[(flakes.platform_depth_mm > 0) & (flakes.exterior_platform_angle_deg > 0)]
for size in ["mass_g", "length_mm", "width_mm", "thickness_mm"]:
    for more in [[], ["platform_width_mm"]]:
        slopes, errors = [], []
        for _, site in flakes.groupby("site"):
            site = site[(site[[size] + more] > 0).all(axis=1)]
            if len(site) < 80:
                continue
            x = [np.ones(len(site)), np.log(site.platform_depth_mm), site.exterior_platform_angle_deg / 10]
            x = np.column_stack(x + [np.log(site[m]) for m in more])
            y = np.log(site[size])
            b = np.linalg.lstsq(x, y, rcond=None)[0]
            s2 = np.sum((y - x @ b) ** 2) / (len(y) - x.shape[1])
            slopes.append(b[1:])
            errors.append(s2 * np.diag(np.linalg.inv(x.T @ x))[1:])
        variance = np.var(slopes, axis=0, ddof=1) - np.mean(errors, axis=0)
        print(size, more, len(slopes), np.sqrt(np.maximum(variance, 0)).round(3))
