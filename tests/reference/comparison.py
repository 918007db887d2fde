"""Reference numbers for the comparison of two sets of sizes.

Run in this folder: python3 comparison.py. Two invented sets (comparison_sets.csv); Kolmogorov-Smirnov and
energy distance by scipy, overlap by scipy's gaussian_kde with Silverman's width as R's bw.nrd0 defines it,
integrated on a fine grid. The statistic of R's ks.test is written by comparison.R.
"""
import sys
import numpy as np
import scipy
from scipy import stats

rng = np.random.default_rng(11)
a = np.round(np.exp(rng.normal(2.4, 0.7, 60)), 1)
b = np.round(np.exp(rng.normal(2.0, 0.6, 45)), 1)
with open("comparison_sets.csv", "w") as f:
    f.write("set,mass_g\n")
    for name, values in (("a", a), ("b", b)):
        for v in values:
            f.write(f"{name},{v}\n")
la, lb = np.log(a), np.log(b)


def nrd0(x):
    iqr = np.subtract(*np.percentile(x, [75, 25]))
    return 0.9 * min(np.std(x, ddof=1), iqr / 1.34) * len(x) ** -0.2


def kde(x):
    return stats.gaussian_kde(x, bw_method=nrd0(x) / np.std(x, ddof=1))


grid = np.linspace(min(la.min(), lb.min()) - 4, max(la.max(), lb.max()) + 4, 200001)
overlap = np.trapezoid(np.minimum(kde(la)(grid), kde(lb)(grid)), grid)
with open("comparison.csv", "w") as f:
    f.write(f"# scipy {scipy.__version__}, numpy {np.__version__}, Python {sys.version.split()[0]}\n")
    f.write("what,value\n")
    f.write(f"ks,{stats.ks_2samp(a, b).statistic!r}\n".replace("np.float64(", "").replace(")", ""))
    f.write(f"energy,{float(stats.energy_distance(la, lb))!r}\n")
    f.write(f"overlap,{float(overlap)!r}\n")
    f.write(f"ratio,{float(np.exp(la.mean() - lb.mean()))!r}\n")
    for q in (0.1, 0.25, 0.5, 0.75, 0.9):
        f.write(f"quantile {q},{float(np.exp(np.quantile(la, q) - np.quantile(lb, q)))!r}\n")
    # ks_2samp's exact p and the permutation p of both distances, 4000 shuffles
    perm = lambda f: stats.permutation_test((la, lb), f, n_resamples=4000, alternative="greater", rng=3).pvalue
    f.write(f"ks p,{float(perm(lambda x, y: stats.ks_2samp(x, y).statistic))!r}\n")
    f.write(f"energy p,{float(perm(stats.energy_distance))!r}\n")
