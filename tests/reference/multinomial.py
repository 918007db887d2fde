"""Reference numbers for the multinomial logit: run as `python3 multinomial.py`, then `Rscript multinomial.R`.

Writes multinomial_table.csv (an invented table: a field school on chalk downland compares quartzite
hammerstones with red deer antler on local flint) and multinomial_python.csv. With CONCHOID_DATA set, the
numbers of the glass table are written too (numbers only, no rows).

Unpenalised: statsmodels MNLogit. Ridge: scikit-learn. Firth: the penalised likelihood as it is defined,
its gradient by complex steps (no formula for the score is used), its zero by scipy.
"""
import os, sys
import numpy as np, pandas as pd, scipy, sklearn, statsmodels
from scipy.optimize import minimize, root
from sklearn.linear_model import LogisticRegression
from statsmodels.discrete.discrete_model import MNLogit

here = os.path.dirname(os.path.abspath(__file__))
CLASSES = ["feather", "hinge", "step", "overshot"]
rng = np.random.default_rng(1866)
n = 180
depth = np.round(np.exp(rng.normal(1.9, 0.45, n)), 1)
angle = rng.choice(np.arange(50, 95, 5), n)
antler = rng.integers(0, 2, n)
eta = np.c_[np.zeros(n), -2.2 + 0.9 * (np.log(depth) - 1.9) - 0.5 * antler, -3.4 + 0.03 * (angle - 70),
            -2.6 + 2.2 * (np.log(depth) - 1.9) + 0.04 * (angle - 70) + 0.4 * antler]
prob = np.exp(eta) / np.exp(eta).sum(1, keepdims=True)
ends = np.array([rng.choice(4, p=p) for p in prob])
table = pd.DataFrame(dict(platform_depth_mm=depth, exterior_platform_angle_deg=angle,
                          percussor=np.where(antler == 1, "antler", "quartzite"),
                          termination=[CLASSES[k] for k in ends]))
table.to_csv(f"{here}/multinomial_table.csv", index=False)

out = []
def write(case, quantity, klass, term, value):
    out.append((case, quantity, klass, term, repr(float(value))))

def log_likelihood(b, X, y, K):
    B = np.vstack([np.zeros(X.shape[1]), b.reshape(K - 1, -1)])
    e = np.exp(X @ B.T)
    p = e / e.sum(1)[:, None]
    return np.log(p[np.arange(len(y)), y]).sum(), p[:, 1:]

def jeffreys(b, X, y, K):
    l, p = log_likelihood(b, X, y, K)
    m, q = K - 1, X.shape[1]
    info = np.zeros((m * q, m * q), dtype=b.dtype)
    for i in range(len(y)):
        info = info + np.kron(np.diag(p[i]) - np.outer(p[i], p[i]), np.outer(X[i], X[i]))
    return l + 0.5 * np.log(np.linalg.det(info)), info, l

def complex_gradient(f, b):
    g = np.empty(len(b))
    for j in range(len(b)):
        c = b.astype(complex); c[j] += 1e-30j
        g[j] = f(c).imag / 1e-30
    return g

def firth(case, X, y, K, names, classes):
    mu, sd = X[:, 1:].mean(0), X[:, 1:].std(0)
    Z = np.c_[np.ones(len(y)), (X[:, 1:] - mu) / sd]
    f = lambda b: jeffreys(b, Z, y, K)[0]
    g = lambda b: complex_gradient(f, b)
    start = np.zeros((K - 1) * Z.shape[1])
    r = minimize(lambda b: -f(b), start, jac=lambda b: -g(b), method="BFGS", options=dict(gtol=1e-6))
    r = root(g, r.x, tol=1e-14)
    assert np.abs(g(r.x)).max() < 1e-9, np.abs(g(r.x)).max()
    T = np.diag(np.r_[1, 1 / sd]); T[0, 1:] = -mu / sd
    B = r.x.reshape(K - 1, -1) @ T.T
    value, info, l = jeffreys(B.ravel(), X, y, K)
    se = np.sqrt(np.diag(np.linalg.inv(info))).reshape(K - 1, -1)
    write(case, "log_likelihood", "", "", l); write(case, "penalised", "", "", value)
    for k in range(K - 1):
        for j, t in enumerate(names):
            write(case, "coefficient", classes[k + 1], t, B[k, j]); write(case, "standard_error", classes[k + 1], t, se[k, j])

def unpenalised(case, X, y, K, names, classes):
    mu, sd = X[:, 1:].mean(0), X[:, 1:].std(0)
    Z = np.c_[np.ones(len(y)), (X[:, 1:] - mu) / sd]
    r = MNLogit(y, Z).fit(method="newton", tol=1e-14, maxiter=200, disp=0)
    T = np.diag(np.r_[1, 1 / sd]); T[0, 1:] = -mu / sd
    B = r.params.T @ T.T
    A = np.kron(np.eye(K - 1), T)
    se = np.sqrt(np.diag(A @ r.cov_params() @ A.T)).reshape(K - 1, -1)
    write(case, "log_likelihood", "", "", r.llf)
    for k in range(K - 1):
        for j, t in enumerate(names):
            write(case, "coefficient", classes[k + 1], t, B[k, j]); write(case, "standard_error", classes[k + 1], t, se[k, j])

def ridge(case, X, y, K, names, classes, lam):
    mu, sd = X[:, 1:].mean(0), X[:, 1:].std(0)
    Z = (X[:, 1:] - mu) / sd
    r = LogisticRegression(C=1 / lam, solver="newton-cg", tol=1e-13, max_iter=10000).fit(Z, y)
    full = np.c_[r.intercept_, r.coef_]
    T = np.diag(np.r_[1, 1 / sd]); T[0, 1:] = -mu / sd
    B = (full[1:] - full[0]) @ T.T
    write(case, "log_likelihood", "", "", log_likelihood(B.ravel(), X, y, K)[0])
    for k in range(K - 1):
        for j, t in enumerate(names):
            write(case, "coefficient", classes[k + 1], t, B[k, j])

X = np.c_[np.ones(n), np.log(depth), angle, antler].astype(float)
names = ["intercept", "ln depth", "angle", "antler"]
unpenalised("invented none", X, ends, 4, names, CLASSES)
firth("invented firth", X, ends, 4, names, CLASSES)
ridge("invented ridge 5", X, ends, 4, names, CLASSES, 5.0)
firth("invented two classes firth", X, (ends > 0).astype(int), 2, names, ["feather", "other"])
folder = os.environ.get("CONCHOID_DATA")
if folder:
    g = pd.read_csv(f"{folder}/glass-controlled.csv")
    g = g[g.termination.isin(CLASSES)].dropna(subset=["platform_depth_mm", "exterior_platform_angle_deg", "angle_of_blow_deg"])
    y = g.termination.map({c: i for i, c in enumerate(CLASSES)}).values
    X = np.c_[np.ones(len(g)), np.log(g.platform_depth_mm), g.exterior_platform_angle_deg, g.angle_of_blow_deg,
              g.percussor == "bone", g.blow_lands_on == "edge"].astype(float)
    names = ["intercept", "ln depth", "angle", "blow", "organic", "edge"]
    unpenalised("glass none", X, y, 4, names, CLASSES)
    firth("glass firth", X, y, 4, names, CLASSES)
    ridge("glass ridge 1", X, y, 4, names, CLASSES, 1.0)
with open(f"{here}/multinomial_python.csv", "w") as f:
    f.write(f"# multinomial.py; Python {sys.version.split()[0]}, numpy {np.__version__}, scipy {scipy.__version__}, "
            f"statsmodels {statsmodels.__version__}, scikit-learn {sklearn.__version__}\n")
    f.write("case,quantity,class,term,value\n")
    for row in out:
        f.write(",".join(row) + "\n")
