"""The same least squares as lm.R, from statsmodels, for two of its models: tests/reference/statsmodels.json.

Run from the project root:  python3 tests/reference/statsmodels_lm.py DATA_FOLDER
Same layout as lm.json. Where the two packages disagree is printed, so that a tolerance can be chosen knowingly.
"""

import json
import sys

import numpy as np
import pandas as pd
import scipy
import statsmodels
import statsmodels.api as sm


def terms(d, names):
    made = {
        "(Intercept)": lambda: np.ones(len(d)),
        "ln_platform_depth_mm": lambda: np.log(d.platform_depth_mm),
        "ln_platform_width_mm": lambda: np.log(d.platform_width_mm),
        "log10_platform_depth_mm": lambda: np.log10(d.platform_depth_mm),
        "log10_platform_area_mm2": lambda: np.log10(d.platform_area_mm2),
        "log10_max_thickness_mm": lambda: np.log10(d.max_thickness_mm),
        "class_organic": lambda: d.percussor.isin(["antler", "bone", "wood"]).astype(float),
        "blow_lands_on_edge": lambda: (d.blow_lands_on == "edge").astype(float),
    }
    return np.column_stack([made[n]() if n in made else d[n].astype(float) for n in names])


def fit(reference, folder):
    path = ("examples/data/" if reference["table"] == "field-school.csv" else folder + "/") + reference["table"]
    table = pd.read_csv(path)
    x = terms(table, reference["terms"])
    y = {"ln": np.log, "log10": np.log10}[reference["transform"]](table.mass_g.to_numpy())
    f = sm.OLS(y, x).fit(method="qr")
    influence = f.get_influence()
    points = pd.DataFrame([p["at"] for p in reference["predictions"]])
    at = f.get_prediction(terms(points, reference["terms"]))
    left_out = f.resid / (1 - influence.hat_matrix_diag)
    # R counts sigma among the parameters of aic and bic, statsmodels does not.
    p = len(f.params) + 1
    rows = []
    for r in reference["rows"]:
        i = r["row"] - 1
        rows.append({
            "which": r["which"], "row": r["row"], "leverage": influence.hat_matrix_diag[i],
            "cooks_distance": influence.cooks_distance[0][i],
            "internally_studentised": influence.resid_studentized_internal[i],
            "externally_studentised": influence.resid_studentized_external[i],
            "residual": f.resid[i], "left_out_residual": left_out[i],
        })
    frames = {level: at.summary_frame(alpha=1 - level) for level in (0.95, 0.5, 0.999)}
    pair = lambda frame, kind, i: [frame[kind + "_ci_lower"][i], frame[kind + "_ci_upper"][i]]
    return {
        "name": reference["name"], "table": reference["table"], "response": "mass_g",
        "transform": reference["transform"], "terms": reference["terms"], "weights": "none",
        "n": int(f.nobs), "rows_dropped": 0,
        "coefficients": f.params, "standard_errors": f.bse, "covariance": f.cov_params(),
        "sigma": np.sqrt(f.mse_resid), "df_residual": int(f.df_resid), "residual_sum_of_squares": f.ssr,
        "r_squared": f.rsquared, "adjusted_r_squared": f.rsquared_adj, "log_likelihood": f.llf,
        "aic": 2 * p - 2 * f.llf, "bic": np.log(f.nobs) * p - 2 * f.llf, "press": np.sum(left_out**2),
        "predictions": [
            {
                "point": q["point"], "at": q["at"], "fit": at.predicted_mean[i], "se_fit": at.se_mean[i],
                "mean_95": pair(frames[0.95], "mean", i), "prediction_95": pair(frames[0.95], "obs", i),
                "prediction_50": pair(frames[0.5], "obs", i), "prediction_999": pair(frames[0.999], "obs", i),
            }
            for i, q in enumerate(reference["predictions"])
        ],
        "rows": rows,
    }


def plain(value):
    if isinstance(value, dict):
        return {k: plain(v) for k, v in value.items()}
    if isinstance(value, (list, tuple)):
        return [plain(v) for v in value]
    if isinstance(value, np.ndarray):
        return plain(value.tolist())
    return float(value) if isinstance(value, np.floating) else value


def disagreement(a, b, where, worst):
    if isinstance(a, dict):
        for k in a:
            disagreement(a[k], b[k], where + "." + k, worst)
    elif isinstance(a, list):
        for i, (u, v) in enumerate(zip(a, b)):
            disagreement(u, v, f"{where}[{i}]", worst)
    elif isinstance(a, float):
        worst.append((abs(a - b) / abs(b) if b else abs(a), where))


def main():
    reference = json.load(open("tests/reference/lm.json"))
    models = []
    for r in reference["models"]:
        if r["name"] in ("flint-seven", "field-school-percussor"):
            model = plain(fit(r, sys.argv[1]))
            worst = []
            disagreement(model, r, "", worst)
            print(r["name"], "worst relative disagreement with R:", sorted(worst, reverse=True)[:4])
            models.append(model)
    out = {
        "made_by": "tests/reference/statsmodels_lm.py", "statsmodels": statsmodels.__version__,
        "numpy": np.__version__, "scipy": scipy.__version__, "models": models,
    }
    with open("tests/reference/statsmodels.json", "w") as file:
        json.dump(out, file, indent=1)
        file.write("\n")


if __name__ == "__main__":
    main()
