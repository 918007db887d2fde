"""Whole processes that read a table of a million flakes as CSV: csv_peers.py WORK WHO TABLE FIT OUT

WORK estimate: 95 % intervals of the mass under the fit of FIT (a calibration's JSON), the table written to OUT with
the columns that ours adds. WORK fit: ln mass on ln depth and angle, with standard errors, printed."""
import json, sys
import numpy as np

work, who, table, fit, out = sys.argv[1:6]


def lower(rows):
    """A covariance as a calibration stores it, by the lower triangle; a Cholesky factor reads no more."""
    v = np.zeros((len(rows), len(rows)))
    for i, row in enumerate(rows):
        v[i, : i + 1] = row[: i + 1]
    return v


def model():
    size = json.load(open(fit))["variants"][0]["sizes"][0]
    spread = size["spread"]["constant"]
    return np.array(size["coefficients"]), lower(size["covariance"]), spread["value"], spread["degrees_of_freedom"]


def intervals(depth, angle):
    import scipy.special

    b, v, s, df = model()
    t = scipy.special.stdtrit(df, 0.975)
    x = np.stack([np.ones_like(depth), np.log(depth), angle])
    m = b @ x
    z = np.linalg.cholesky(v).T @ x
    h = t * np.sqrt(s * s + np.einsum("ij,ij->j", z, z))
    return np.exp(m - h), np.exp(m), np.exp(m + h)


def ols(depth, angle, mass):
    x, y = np.stack([np.ones_like(depth), np.log(depth), angle], axis=1), np.log(mass)
    g = x.T @ x
    b = np.linalg.solve(g, x.T @ y)
    r = y - x @ b
    print(b, np.sqrt(np.diag(np.linalg.inv(g)) * (r @ r / (len(y) - 3))))


names = ["expected_mass_g_low", "expected_mass_g_median", "expected_mass_g_high"]
blank = ["p_feather", "p_hinge", "p_step", "p_overshot", "cautions"]
if who.startswith("polars"):
    import polars as pl

    d = pl.read_csv(table)
    depth, angle = (d[c].to_numpy() for c in ("platform_depth_mm", "exterior_platform_angle_deg"))
    if work == "fit":
        ols(depth, angle, d["mass_g"].to_numpy())
    else:
        found = [pl.Series(n, v) for n, v in zip(names, intervals(depth, angle))]
        if "rounded" in who:
            found = [c.round_sig_figs(6) for c in found]
        fixed = [pl.lit(None).alias(n) for n in blank[:4]]
        d.with_columns(found).with_columns(
            *fixed, pl.lit("own").alias("calibration"), pl.lit(None).alias("cautions"), pl.lit("log-log").alias("form")
        ).write_csv(out)
else:
    import pandas as pd

    d = pd.read_csv(table)
    depth, angle = (d[c].to_numpy() for c in ("platform_depth_mm", "exterior_platform_angle_deg"))
    if work == "fit":
        ols(depth, angle, d["mass_g"].to_numpy())
    else:
        d[names[0]], d[names[1]], d[names[2]] = intervals(depth, angle)
        for n in blank[:4]:
            d[n] = None
        d["calibration"], d["cautions"], d["form"] = "own", None, "log-log"
        d.to_csv(out, index=False)
