"""Reference fits for src/fit/tests/shrunken.rs: an independent dense implementation in numpy, iterated until nothing moves.

Writes shrunken.csv (an invented seeded table) and shrunken.json (lambda, nu, gamma, coefficients, covariances and
likelihoods). Run: python3 shrunken.py (versions are written into the file).

  y = x'b + s e, ln s = z'g, e ~ t(nu of the row's class); b free, or b_j sd_j ~ N(0, 1/lambda).
Estimating equations: X'(w r/s2) = Lambda b; Z'(w r2/s2 - 1 + diag H) = 0; lambda = (m - lambda tr V_pp)/b_p'b_p, with
w = (nu+1)/(nu+r2/s2), V = (X'DX + Lambda)^-1, D = (nu+1)/(nu+3)/s2, H = D^.5 X V X' D^.5. Covariance of g: inverse of
2 Z'K^.5 (M o M) K^.5 Z, M = I - H, K = nu/(nu+3). nu: largest Laplace marginal likelihood over a grid."""
import itertools, json, os, sys
import numpy as np
import scipy
from scipy import stats

INF = np.inf
HERE = os.path.dirname(os.path.abspath(__file__))


def table(n=150):
    """An invented field school on chalk: depth, angle, quartzite or antler, blows on the platform or its edge."""
    rng = np.random.default_rng(20240607)
    depth = np.exp(rng.normal(1.6, .45, n)).round(2)
    angle = rng.choice([55., 65., 70., 75., 85.], n)
    antler = (rng.random(n) < .4) * 1.
    edge = (rng.random(n) < np.where(antler == 1, .6, .2)) * 1.
    l, a = np.log(depth) - 1.5, (angle - 70) / 10
    mu = 2 + 2.1*l + .35*a - .4*antler - .9*edge + .25*l*l + .12*l*a - .3*antler*l
    e = np.where(edge == 1, rng.standard_normal(n), rng.standard_t(3, n))
    return dict(depth=depth, angle=angle, antler=antler, edge=edge, y=(mu + np.exp(-1.1 - .2*l + .7*edge)*e).round(6))


def designs(d):
    l, a = np.log(d['depth']) - 1.5, d['angle'] - 70
    f = [np.ones_like(l), np.log(d['depth']), d['angle'], d['antler'], d['edge']]
    p = [l*l, a*a, l*a, d['antler']*l, d['antler']*a, d['edge']*l, d['edge']*a, d['edge']*d['antler']]
    return np.column_stack(f + p), np.r_[np.zeros(5), np.ones(8)] > 0, np.column_stack([f[0], f[1], d['edge']])


def ratio(nu, add):
    big = ~np.isfinite(nu)
    return np.where(big, 1., (np.where(big, 1, nu) + add)/(np.where(big, 1, nu) + 3))


def weights(nu, u):
    big = ~np.isfinite(nu)
    v = np.where(big, 1., nu)
    return np.where(big, 1., (v + 1)/(v + u))


def at(X, pen, Z, b, g, lam, nu, y):
    s2 = np.exp(2*Z@g)
    kk = ratio(nu, 1)
    V = np.linalg.inv(X.T@(X*(kk/s2)[:, None]) + np.diag(lam*pen))
    root = X*np.sqrt(kk/s2)[:, None]
    return s2, V, root@V@root.T


def solve(X, pen, Z, y, nu, lam=None, tol=2e-12):
    n, p = X.shape
    q, m = Z.shape[1], int(pen.sum())
    chosen = lam is None and m > 0
    lam = 100. if lam is None else lam
    b = np.linalg.solve(X.T@X + np.diag(lam*pen), X.T@y)
    g = np.zeros(q)
    g[0] = np.log(np.std(y - X@b))
    for it in range(20000):
        s2, V, H = at(X, pen, Z, b, g, lam, nu, y)
        r = y - X@b
        w = weights(nu, r*r/s2)
        bn = np.linalg.solve(X.T@(X*(w/s2)[:, None]) + np.diag(lam*pen), X.T@(w/s2*y))
        r = y - X@bn
        w = weights(nu, r*r/s2)
        k = ratio(nu, 0)
        step = np.linalg.solve(2*Z.T@(Z*k[:, None]), Z.T@(w*r*r/s2 - 1 + np.diag(H)))
        ln = lam
        if chosen:
            ln = (m - lam*np.trace(V[np.ix_(pen, pen)]))/(bn[pen]@bn[pen])
        moved = max(np.abs(bn - b).max()/np.abs(bn).max(), np.abs(step).max(), abs(np.log(ln/lam)))
        b, g, lam = bn, g + step, ln
        if moved < tol:
            break
    else:
        raise SystemExit('no fixed point')
    s2, V, H = at(X, pen, Z, b, g, lam, nu, y)
    z = (y - X@b)/np.sqrt(s2)
    ll = sum(stats.norm.logpdf(t) if not np.isfinite(v) else stats.t.logpdf(t, v) for t, v in zip(z, nu)) - .5*np.log(s2).sum()
    k = np.sqrt(ratio(nu, 0))
    M = np.eye(n) - H
    G = np.linalg.inv(2*Z.T@((k[:, None]*(M*M)*k[None, :])@Z))
    rest = ll + .5*(p - m)*np.log(2*np.pi) + .5*np.linalg.slogdet(V)[1]
    if m:
        rest += .5*m*np.log(lam) - .5*lam*(b[pen]@b[pen])
    return dict(b=b, g=g, V=V, G=G, lam=lam, ll=ll, rest=rest, edf=np.trace(H),
                marg=rest + .5*q*np.log(2*np.pi) + .5*np.linalg.slogdet(G)[1])


def fit(X, pen, Z, cls, y, grids, lam=None):
    ct, sc = np.where(pen, X.mean(0), 0.), np.where(pen, X.std(0), 1.)
    best = None
    tried = []
    for nus in itertools.product(*grids):
        f = solve((X - ct)/sc, pen, Z, y, np.array([nus[c] for c in cls]), lam)
        tried.append(f['marg'])
        if best is None or f['marg'] > best['marg']:
            best = dict(f, nus=nus)
    T = np.diag(1/sc)
    T[0] -= ct/sc
    clean = lambda v: None if not np.isfinite(v) else v
    f = best
    return dict(nu=[clean(float(v)) for v in f['nus']], coefficients=(T@f['b']).tolist(), covariance=(T@f['V']@T.T).tolist(),
                gamma=f['g'].tolist(), gamma_covariance=f['G'].tolist(), ln_lambda=None if not pen.any() else float(np.log(f['lam'])),
                effective_parameters=float(f['edf']), ln_likelihood=float(f['ll']), ln_restricted_likelihood=float(f['rest']),
                ln_marginal_likelihood=float(f['marg']), tried=tried)


if __name__ == '__main__':
    d = table()
    with open(os.path.join(HERE, 'shrunken.csv'), 'w') as out:
        out.write('# invented by shrunken.py\n' + ','.join(d) + '\n')
        for i in range(len(d['y'])):
            out.write(','.join(f'{d[k][i]:.10g}' for k in d) + '\n')
    X, pen, Z = designs(d)
    cls = d['edge'].astype(int)
    y = d['y']
    g2 = [[3, 4, 6, 10, INF], [4, 10, INF]]
    none = np.zeros(5) > 0
    models = [
        dict(name='tails by class', fit=fit(X, pen, Z, cls, y, g2)),
        dict(name='one tail', fit=fit(X, pen, Z, 0*cls, y, [[3, 4, 6, 10, INF]])),
        dict(name='normal', fit=fit(X, pen, Z, 0*cls, y, [[INF]])),
        dict(name='given penalty', fit=fit(X, pen, Z, cls, y, [[4], [INF]], 25.)),
        dict(name='nothing penalised', fit=fit(X[:, :5], none, Z, 0*cls, y, [[INF]])),
        dict(name='nothing penalised, t', fit=fit(X[:, :5], none, Z, 0*cls, y, [[4]])),
        dict(name='constant spread', fit=fit(X, pen, Z[:, :1], 0*cls, y, [[INF]])),
    ]
    versions = f'python {sys.version.split()[0]}, numpy {np.__version__}, scipy {scipy.__version__}'
    json.dump(dict(made_by='shrunken.py', versions=versions, models=models), open(os.path.join(HERE, 'shrunken.json'), 'w'), indent=1)
    for m in models:
        print(m['name'], m['fit']['nu'], m['fit']['ln_lambda'], m['fit']['gamma'], m['fit']['ln_marginal_likelihood'])
