"""Writes nist_nonlinear.json: the 27 nonlinear least-squares sets of the NIST Statistical Reference Datasets.

    python3 nist_nonlinear.py FOLDER     # FOLDER holds the .dat files; Python 3.11, standard library only

The sets are United States government works (https://www.itl.nist.gov/div898/strd/nls/nls_main.shtml); the
copies read here are those in the source package of lmfit 1.3.4, folder NIST_STRD, line for line NIST's. Each
entry holds the observations (x a row of predictors), both starting points, and the certified coefficients,
standard deviations, residual sum of squares and residual standard deviation, all as NIST prints them
(11 digits). Nelson's response is written as printed; its model is for the logarithm. The header of Rat43
prints 9 degrees of freedom; its 15 rows, 4 coefficients and residual standard deviation all say 11.
"""

import json
import re
import sys
from pathlib import Path

LABELS = {
    "rss": "Residual Sum of Squares",
    "residual_sd": "Residual Standard Deviation",
    "df": "Degrees of Freedom",
    "n": "Number of Observations",
}


def read(path):
    lines = path.read_text().splitlines()
    entry = {"x": [], "y": [], "start1": [], "start2": [], "coefficients": [], "standard_errors": []}
    columns = ("start1", "start2", "coefficients", "standard_errors")
    for line in lines[:60]:
        if re.match(r"\s*b\d+\s*=", line):
            for key, text in zip(columns, line.split("=")[1].split(), strict=True):
                entry[key].append(float(text))
        for key, label in LABELS.items():
            if line.strip().startswith(label + ":"):
                entry[key] = float(line.split(":")[1])
    for line in lines[60:]:
        values = [float(v) for v in line.split()]
        if values:
            entry["y"].append(values[0])
            entry["x"].append(values[1:])
    n, p = len(entry["y"]), len(entry["coefficients"])
    if n != entry.pop("n"):
        raise SystemExit(f"{path.name}: {n} rows do not match its header")
    if n - p != entry.pop("df") and path.stem != "Rat43":
        raise SystemExit(f"{path.name}: {n} rows and {p} coefficients do not match its degrees of freedom")
    if abs(entry["residual_sd"] ** 2 * (n - p) / entry["rss"] - 1) > 1e-9:
        raise SystemExit(f"{path.name}: residual standard deviation and sum of squares contradict each other")
    return entry


files = sorted(Path(sys.argv[1]).glob("*.dat"))
out = {f.stem: read(f) for f in files}
if len(out) != 27:
    raise SystemExit(f"{len(out)} data sets found, 27 expected")
lines = [json.dumps(k) + ": " + json.dumps(v, separators=(",", ":")) for k, v in out.items()]
Path(__file__).with_name("nist_nonlinear.json").write_text("{\n" + ",\n".join(lines) + "\n}\n")
